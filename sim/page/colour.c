// SPDX-License-Identifier: Apache-2.0
#include "page/colour.h"

#include <math.h>

#define PI 3.14159265358979323846

// sRGB primaries, D65: IEC 61966-2-1. L*a*b*: ISO/CIE 11664-4.
static const double xyz_of_rgb[3][3] = {{0.4124564, 0.3575761, 0.1804375}, {0.2126729, 0.7151522, 0.0721750}, {0.0193339, 0.1191920, 0.9503041}};
static const double rgb_of_xyz[3][3] = {{3.2404542, -1.5371385, -0.4985314}, {-0.9692660, 1.8760108, 0.0415560}, {0.0556434, -0.2040259, 1.0572252}};
static const double white[3] = {0.95047, 1.0, 1.08883};

static double encode(double x) { return x <= 0.0031308 ? 12.92*x : 1.055*pow(x, 1.0/2.4) - 0.055; }
static double decode(double x) { return x <= 0.04045 ? x/12.92 : pow((x + 0.055)/1.055, 2.4); }
static double lab_f(double t) { return t > 216.0/24389.0 ? cbrt(t) : (24389.0/27.0*t + 16.0)/116.0; }
static double lab_f_back(double f) { return f*f*f > 216.0/24389.0 ? f*f*f : (116.0*f - 16.0)*27.0/24389.0; }

uint8_t lr_grey(double linear)
{
    if (!(linear > 0.0))
        return 0;
    return linear >= 1.0 ? 255 : (uint8_t)lrint(255.0*encode(linear));
}

void lr_greys_make(lr_greys *out)
{
    out->from[0] = 0.0;
    for (int grey = 1; grey < 256; grey++)
        out->from[grey] = decode((grey - 0.5)/255.0);
    out->from[256] = (double)INFINITY;
    for (int i = 0, grey = 0; i < LR_GREY_STEPS; i++) {
        while ((double)i/LR_GREY_STEPS >= out->from[grey + 1])
            grey++;
        out->start[i] = (uint8_t)grey;
    }
}

void lr_lab_of(lr_rgb c, double lab[3])
{
    const double rgb[3] = {decode(c.r/255.0), decode(c.g/255.0), decode(c.b/255.0)};
    double f[3];
    for (int i = 0; i < 3; i++)
        f[i] = lab_f((xyz_of_rgb[i][0]*rgb[0] + xyz_of_rgb[i][1]*rgb[1] + xyz_of_rgb[i][2]*rgb[2])/white[i]);
    lab[0] = 116.0*f[1] - 16.0;
    lab[1] = 500.0*(f[0] - f[1]);
    lab[2] = 200.0*(f[1] - f[2]);
}

static int rgb_exact(const double lab[3], double rgb[3])
{
    const double fy = (lab[0] + 16.0)/116.0, f[3] = {fy + lab[1]/500.0, fy, fy - lab[2]/200.0};
    double xyz[3];
    int inside = 1;
    for (int i = 0; i < 3; i++)
        xyz[i] = white[i]*lab_f_back(f[i]);
    for (int i = 0; i < 3; i++) {
        rgb[i] = rgb_of_xyz[i][0]*xyz[0] + rgb_of_xyz[i][1]*xyz[1] + rgb_of_xyz[i][2]*xyz[2];
        inside &= rgb[i] >= -1e-6 && rgb[i] <= 1.0 + 1e-6;
    }
    return inside;
}

int lr_rgb_of_lab(const double lab[3], lr_rgb *out)
{
    double rgb[3];
    const int inside = rgb_exact(lab, rgb);
    *out = (lr_rgb){lr_grey(rgb[0]), lr_grey(rgb[1]), lr_grey(rgb[2])};
    return inside;
}

// The path: lightness 95 to 18, hue from yellow (95 degrees) down through red to blue (285), as much chroma as fits up to 70.
static void path_at(double t, double lab[3])
{
    const double hue = (95.0 - 170.0*t)*PI/180.0, most = 18.0 + 190.0*t*(1.0 - t) + 38.0*t;
    double rgb[3], lo = 0.0, hi = most < 70.0 ? most : 70.0;
    lab[0] = 95.0 - 77.0*t;
    for (int i = 0; i < 40; i++) {  // the largest chroma inside the gamut, by halving; the first try is the wanted one
        const double chroma = i ? 0.5*(lo + hi) : hi;
        lab[1] = chroma*cos(hue);
        lab[2] = chroma*sin(hue);
        if (!rgb_exact(lab, rgb))
            hi = chroma;
        else if (i == 0)
            return;
        else
            lo = chroma;
    }
    lab[1] = lo*cos(hue);
    lab[2] = lo*sin(hue);
}

void lr_colour_scale(lr_rgb out[LR_SCALE_STEPS])
{
    enum { FINE = 2048 };
    double along[FINE + 1] = {0.0}, last[3], lab[3];
    path_at(0.0, last);
    for (int i = 1; i <= FINE; i++) {
        path_at((double)i/FINE, lab);
        along[i] = along[i - 1] + sqrt((lab[0] - last[0])*(lab[0] - last[0]) + (lab[1] - last[1])*(lab[1] - last[1]) + (lab[2] - last[2])*(lab[2] - last[2]));
        for (int k = 0; k < 3; k++)
            last[k] = lab[k];
    }
    for (int step = 0, i = 0; step < LR_SCALE_STEPS; step++) {
        const double wanted = along[FINE]*step/(LR_SCALE_STEPS - 1);
        while (i + 1 < FINE && along[i + 1] < wanted)
            i++;
        path_at((i + (wanted - along[i])/(along[i + 1] - along[i]))/FINE, lab);
        lr_rgb_of_lab(lab, &out[step]);
    }
}

lr_rgb lr_colour_thing(int index)
{
    static const lr_rgb base[8] = {{0xE6, 0x9F, 0x00}, {0x56, 0xB4, 0xE9}, {0x00, 0x9E, 0x73}, {0xF0, 0xE4, 0x42},
                                   {0x00, 0x72, 0xB2}, {0xD5, 0x5E, 0x00}, {0xCC, 0x79, 0xA7}, {0x99, 0x99, 0x99}};
    const lr_rgb c = base[(unsigned)index % 8];
    const int lift = (int)((unsigned)index/8 % 3);
    return (lr_rgb){(uint8_t)(c.r + (255 - c.r)*lift/4), (uint8_t)(c.g + (255 - c.g)*lift/4), (uint8_t)(c.b + (255 - c.b)*lift/4)};
}
