// SPDX-License-Identifier: Apache-2.0
#include "optics/fresnel.h"

lr_fresnel lr_fresnel_dielectric(double cos_i, double eta)
{
    const double sin2_t = (1.0 - cos_i*cos_i)/(eta*eta);
    if (!(sin2_t < 1.0))
        return (lr_fresnel){1.0, 1.0};
    const double cos_t = sqrt(1.0 - sin2_t);
    const double s = (cos_i - eta*cos_t)/(cos_i + eta*cos_t), p = (eta*cos_i - cos_t)/(eta*cos_i + cos_t);
    return (lr_fresnel){s*s, p*p};
}

// (n + ik)^2 - sin^2 = (a + ib)^2; only a and a^2 + b^2 are needed.
lr_fresnel lr_fresnel_conductor(double cos_i, double n, double k)
{
    const double cos2 = cos_i*cos_i, sin2 = 1.0 - cos2, real = n*n - k*k - sin2;
    const double size = hypot(real, 2.0*n*k), a = sqrt(fmax(0.0, 0.5*(size + real)));
    const double s = (size + cos2 - 2.0*a*cos_i)/(size + cos2 + 2.0*a*cos_i);
    const double even = cos2*size + sin2*sin2, odd = 2.0*a*cos_i*sin2;
    // At grazing incidence with a = 0 both are 0 only when sin2 is, which cos_i = 1 alone allows; then size > 0.
    return (lr_fresnel){s, even + odd > 0.0 ? s*(even - odd)/(even + odd) : s};
}

float lr_fresnel_conductor_f(float cos_i, float n, float k)
{
    const float cos2 = cos_i*cos_i, sin2 = 1.0f - cos2, real = n*n - k*k - sin2, cross = 2.0f*n*k;
    const float size = sqrtf(real*real + cross*cross), a = sqrtf(fmaxf(0.0f, 0.5f*(size + real)));
    const float s = (size + cos2 - 2.0f*a*cos_i)/(size + cos2 + 2.0f*a*cos_i);
    const float even = cos2*size + sin2*sin2, odd = 2.0f*a*cos_i*sin2;
    return 0.5f*s*(1.0f + (even + odd > 0.0f ? (even - odd)/(even + odd) : 1.0f));
}

// From outside by quadrature in v = sqrt(cos), where the steep end at grazing is smooth: 2 cos dcos = 4 v^3 dv.
// From inside by reciprocity: n^2 (1 - F_in) = 1 - F_out, all light beyond the critical angle included.
double lr_fresnel_hemispherical(double eta)
{
    if (eta < 1.0)
        return 1.0 - eta*eta*(1.0 - lr_fresnel_hemispherical(1.0/eta));
    static const double x[3] = {0.0, 0.53846931010568309104, 0.90617984593866399280};
    static const double w[3] = {0.56888888888888888889, 0.47862867049936646804, 0.23692688505618908751};  // Gauss-Legendre, 5 points
    const int panels = 32;
    double sum = 0.0;
    for (int panel = 0; panel < panels; panel++)
        for (int i = -2; i <= 2; i++) {
            const int j = i < 0 ? -i : i;
            const double v = (panel + 0.5 + 0.5*(i < 0 ? -x[j] : x[j]))/panels;
            sum += 0.5*w[j]/panels*4.0*v*v*v*lr_fresnel_mean(lr_fresnel_dielectric(v*v, eta));
        }
    return sum;
}

static lr_pane pane_polarised(double r, double a)
{
    const double t = (1.0 - r)*(1.0 - r)*a/(1.0 - r*r*a*a);
    return (lr_pane){r*(1.0 + a*t), t};
}

lr_pane lr_pane_at(double cos_i, double index, double absorption_per_m, double thickness_m)
{
    const lr_fresnel f = lr_fresnel_dielectric(cos_i, index);
    if (f.s >= 1.0 && f.p >= 1.0)  // grazing: nothing enters, and the series below would be 0/0
        return (lr_pane){1.0, 0.0};
    const double cos_t = sqrt(1.0 - (1.0 - cos_i*cos_i)/(index*index));
    const double a = exp(-absorption_per_m*thickness_m/cos_t);
    const lr_pane s = pane_polarised(f.s, a), p = pane_polarised(f.p, a);
    return (lr_pane){0.5*(s.reflectance + p.reflectance), 0.5*(s.transmittance + p.transmittance)};
}

double lr_index_bk7(double lambda_m)
{
    static const double b[3] = {1.03961212, 0.231792344, 1.01046945}, c[3] = {0.00600069867, 0.0200179144, 103.560653};
    const double um = lambda_m*1e6, l2 = um*um;
    double n2 = 1.0;
    for (int i = 0; i < 3; i++)
        n2 += b[i]*l2/(l2 - c[i]);
    return sqrt(n2);
}
