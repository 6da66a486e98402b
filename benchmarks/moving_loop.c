/* The moving robot's yardstick: a reading at a time, row by row, evidence and touches of every cell in a wedge.

   Gaussian beam of one width; the same model as sonargrid's, written out by hand: the gain as a short polynomial of
   tan(off / 2)^2, the evidence along the range as a smooth hump behind a free part that fades.  No tiles, no sorting,
   no exact edges (the blind zone is left in), single floats.  benchmarks/bench_moving.py compiles and calls it. */
#include <math.h>
#include <stdint.h>

static double least(double a, double b) { return a < b ? a : b; }
static double most(double a, double b) { return a > b ? a : b; }

void per_reading(float *evidence, uint32_t *touched, long rows, long columns, double cell, const double *x,
                 const double *y, const double *bearing, const float *echo, const double *limit, const float *weight,
                 long readings, double half, const float *gain, float hit, float miss, double sigma)
{
    const double per_cell = 1.0 / cell;
    const float cell_f = (float)cell, third = (float)(1.0 / (3.0 * sigma)), wide = (float)(1.0 / tan(0.5 * half));
    for (long n = 0; n < readings; n++) {
        const double reach = limit[n], b = bearing[n];
        const double left_x = cos(b + half), left_y = sin(b + half), right_x = cos(b - half), right_y = sin(b - half);
        const float c = (float)cos(b), s = (float)sin(b), z = echo[n], w = weight[n];
        double south = least(0.0, least(reach * left_y, reach * right_y));
        double north = most(0.0, most(reach * left_y, reach * right_y));
        if (sin(b) >= cos(half)) north = reach;
        if (-sin(b) >= cos(half)) south = -reach;
        const long first = (long)most(0.0, floor((y[n] + south) * per_cell - 0.5));
        const long last = (long)least(rows - 1.0, floor((y[n] + north) * per_cell + 0.5));
        const double base = x[n] * per_cell - 0.5;
        for (long row = first; row <= last; row++) {
            const double dy = (row + 0.5) * cell - y[n], rest = reach * reach - dy * dy;
            if (rest < 0.0) continue;
            double from = -sqrt(rest), to = sqrt(rest);
            if (left_y > 0.0) from = most(from, dy * left_x / left_y);
            else if (left_y < 0.0) to = least(to, dy * left_x / left_y);
            if (right_y > 0.0) to = least(to, dy * right_x / right_y);
            else if (right_y < 0.0) from = most(from, dy * right_x / right_y);
            if (from > to) continue;
            const long c0 = (long)most(0.0, ceil(base + from * per_cell));
            const long c1 = (long)least(columns - 1.0, floor(base + to * per_cell));
            const float dx0 = (float)((c0 - base) * cell), dyf = (float)dy;
            const float dy2 = dyf * dyf, ahead_y = dyf * s, left_of = dyf * c;
            float *out = evidence + row * columns + c0;
            uint32_t *hits = touched + row * columns + c0;
            for (int k = 0; k <= (int)(c1 - c0); k++) {
                const float dx = dx0 + k * cell_f, r = sqrtf(dx * dx + dy2);
                const float q = wide * (left_of - dx * s) / (r + dx * c + ahead_y), q2 = q * q;
                float g = gain[7];
                for (int d = 6; d >= 0; d--) g = g * q2 + gain[d];
                const float t = (r - z) * third, u = fminf(fmaxf(t, -1.0f), 1.0f);
                const float p = (1.0f - u * u) * (1.0f - u * u), v = fminf(fmaxf(t + 1.0f, -1.0f), 1.0f), v2 = v * v;
                const float odd = v * (1.0f + v2 * (-4.0f / 3 + v2 * (6.0f / 5 + v2 * (-4.0f / 7 + v2 / 9.0f))));
                out[k] += w * g * (hit * p * p - miss * (0.5f - odd * (315.0f / 256)));
                hits[k]++;
            }
        }
    }
}
