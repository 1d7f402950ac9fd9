// SPDX-License-Identifier: Apache-2.0
#include "core/rng.h"

#include <Random123/philox.h>

void lr_philox(const uint32_t key[2], const uint32_t counter[4], uint32_t out[4])
{
    const philox4x32_ctr_t c = {{counter[0], counter[1], counter[2], counter[3]}};
    const philox4x32_key_t k = {{key[0], key[1]}};
    const philox4x32_ctr_t r = philox4x32_R(10, c, k);
    for (int i = 0; i < 4; i++)
        out[i] = r.v[i];
}
