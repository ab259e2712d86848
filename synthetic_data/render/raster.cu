// The rasteriser of raster.py for many (mesh, camera) pairs in one launch.
//
// Compiled with --fmad=false: every product and sum is then rounded as on the CPU, so that both
// cover the same pixels and add the same integers. See raster.py for why no ray is lost.

#define SNAP 65536.0
#define UNIT 1073741824.0

#ifndef LANES
#define LANES 8
#endif

struct Edge {
    double x, y, dx, dy;
    bool kept;
};

__device__ __forceinline__ Edge canonical(double ax, double ay, double bx, double by) {
    if (by > ay || (by == ay && bx > ax)) return {ax, ay, bx - ax, by - ay, true};
    return {bx, by, ax - bx, ay - by, false};
}

__device__ __forceinline__ double test(const Edge &e, double column, double row) {
    return (column - e.x) * e.dy - (row - e.y) * e.dx;
}

__device__ __forceinline__ double least(double a, double b, double c) {
    return fmin(fmin(a, b), c);
}

__device__ __forceinline__ double most(double a, double b, double c) {
    return fmax(fmax(a, b), c);
}

// One thread a vertex. spans[pair] = {first vertex, vertices, first slot, first face, faces}.
// seen: (all slots, 3) x, y, 1 / w.
extern "C" __global__ void project(const double *vertices, const double *matrices,
                                   const long long *spans, double *seen, int *bad) {
    const int pair = blockIdx.y;
    const long long i = (long long)blockIdx.x * blockDim.x + threadIdx.x;
    const long long *span = spans + 5 * pair;
    if (i >= span[1]) return;
    const double *p = vertices + 3 * (span[0] + i);
    const double *m = matrices + 12 * pair;
    const double x = p[0], y = p[1], z = p[2];
    const double u = m[0] * x + m[1] * y + m[2] * z + m[3];
    const double v = m[4] * x + m[5] * y + m[6] * z + m[7];
    const double w = m[8] * x + m[9] * y + m[10] * z + m[11];
    double *out = seen + 3 * (span[2] + i);
    if (!(w > NEAREST && w < FARTHEST)) {
        bad[pair] = 1;
        out[0] = out[1] = -1.0e6;
        out[2] = 1.0;
        return;
    }
    out[0] = floor(u / w * SNAP + 0.5) / SNAP;
    out[1] = floor(v / w * SNAP + 0.5) / SNAP;
    out[2] = 1.0 / w;
}

// LANES threads a triangle, each taking every LANES-th pixel of its box.
extern "C" __global__ void add_triangles(const double *seen, const int *faces,
                                         const long long *spans, const double *handed, int *total,
                                         int rows, int columns) {
    const int pair = blockIdx.y;
    const long long thread = (long long)blockIdx.x * blockDim.x + threadIdx.x;
    const long long f = thread / LANES;
    const long long *span = spans + 5 * pair;
    if (f >= span[4]) return;
    const int *face = faces + 3 * (span[3] + f);
    const double *first = seen + 3 * span[2];
    const double *p0 = first + 3 * (long long)face[0];
    const double *p1 = first + 3 * (long long)face[1];
    const double *p2 = first + 3 * (long long)face[2];
    const double x0 = p0[0], y0 = p0[1], q0 = p0[2];
    const double x1 = p1[0], y1 = p1[1], q1 = p1[2];
    const double x2 = p2[0], y2 = p2[1], q2 = p2[2];
    const double left = fmax(ceil(least(x0, x1, x2)), 0.0);
    const double right = fmin(floor(most(x0, x1, x2)), columns - 1.0);
    const double top = fmax(ceil(least(y0, y1, y2)), 0.0);
    const double bottom = fmin(floor(most(y0, y1, y2)), rows - 1.0);
    if (left > right || top > bottom) return;
    const Edge ea = canonical(x1, y1, x2, y2);
    const Edge eb = canonical(x2, y2, x0, y0);
    const Edge ec = canonical(x0, y0, x1, y1);
    const bool forward = handed[pair] > 0.0;
    const int wide = (int)(right - left) + 1;
    const int count = wide * ((int)(bottom - top) + 1);
    int *film = total + (long long)pair * rows * columns;
    for (int n = (int)(thread % LANES); n < count; n += LANES) {
        const int down = n / wide;
        const int row = (int)top + down;
        const int column = (int)left + n - down * wide;
        double a = test(ea, column, row);
        double b = test(eb, column, row);
        double c = test(ec, column, row);
        const bool side = (a >= 0.0) == ea.kept;
        if (((b >= 0.0) == eb.kept) != side || ((c >= 0.0) == ec.kept) != side) continue;
        a = fabs(a);
        b = fabs(b);
        c = fabs(c);
        const double w = (a + b + c) / (a * q0 + b * q1 + c * q2);
        const int depth = (int)floor(w * 0.5 * UNIT + 0.5);
        atomicAdd(film + (long long)row * columns + column, side == forward ? -depth : depth);
    }
}

// One thread a pixel. frames[pair] = origin - source, step_x, step_y (9 numbers).
// counts[pair] = {pixels covered, those of them below 0}.
extern "C" __global__ void lengths(const int *total, const double *frames, float *out,
                                   int *counts, int rows, int columns) {
    const int pair = blockIdx.y;
    const int pixel = blockIdx.x * blockDim.x + threadIdx.x;
    if (pixel >= rows * columns) return;
    const long long at = (long long)pair * rows * columns + pixel;
    const int share = total[at];
    out[at] = 0.0f;
    if (share == 0) return;
    if (counts != 0) {
        atomicAdd(counts + 2 * pair, 1);
        if (share < -ROUNDING) atomicAdd(counts + 2 * pair + 1, 1);
    }
    if (share < 0) return;
    const double *c = frames + 9 * pair;
    const double row = pixel / columns, column = pixel % columns;
    const double x = c[0] + column * c[3] + row * c[6];
    const double y = c[1] + column * c[4] + row * c[7];
    const double z = c[2] + column * c[5] + row * c[8];
    out[at] = (float)(share * (2.0 / UNIT) * sqrt(x * x + y * y + z * z));
}
