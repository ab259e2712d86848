// From path lengths to finished films, many at once: the arithmetic of physics/beam.py,
// physics/exposure.py and film_formation/tone.py.
//
// blockIdx.y is the film; one thread a pixel unless said otherwise. `given` holds GIVEN numbers a
// film in the order of film_cuda.GIVEN.

enum {
    HEEL_X,
    HEEL_Y,
    SCATTER,
    QUANTUM,
    ELECTRONIC,
    LEAST,
    LOW,
    HIGH,
    GAMMA,
    SIGMOID,
    DARK,
    BRIGHT,
    GIVEN
};
enum { SKIN, MUSCLE, BONE, MARROW };

#define PIXELS 4

__device__ __forceinline__ long long thread_number() {
    return (long long)blockIdx.x * blockDim.x + threadIdx.x;
}

// Where index i of 0 ... n - 1 lies when the picture is mirrored at its edges (a b c | c b a).
__device__ __forceinline__ int mirrored(int i, int n) {
    while (i < 0 || i >= n) i = i < 0 ? -1 - i : 2 * n - 1 - i;
    return i;
}

// Counter-based random numbers: Philox 4x32-10 (Salmon et al. 2011, Proc. SC11, doi
// 10.1145/2063384.2063405). A standard normal for a pixel of a film: the same in any batch.
__device__ __forceinline__ float normal(unsigned int pixel, unsigned int stream,
                                        unsigned int seed_low, unsigned int seed_high) {
    unsigned int c0 = pixel, c1 = stream, c2 = 0u, c3 = 0u, k0 = seed_low, k1 = seed_high;
    for (int round = 0; round < 10; round++) {
        const unsigned long long a = 0xD2511F53ull * c0, b = 0xCD9E8D57ull * c2;
        c0 = (unsigned int)(b >> 32) ^ c1 ^ k0;
        c1 = (unsigned int)b;
        c2 = (unsigned int)(a >> 32) ^ c3 ^ k1;
        c3 = (unsigned int)a;
        k0 += 0x9E3779B9u;
        k1 += 0xBB67AE85u;
    }
    // Box & Muller; the first uniform is never 0.
    const float u = ((float)(c0 >> 8) + 0.5f) * (1.0f / 16777216.0f);
    const float v = (float)(c1 >> 8) * (1.0f / 16777216.0f);
    return sqrtf(-2.0f * logf(u)) * cospif(2.0f * v);
}

// Materials by nested subtraction, then the beam's energies. A marrow follows its bone. PIXELS
// pixels a thread, so that each energy is fetched once for all of them.
// nodes: (films, energies, 8) attenuation in 1/mm x log2(e) of adipose, muscle, cortical, marrow;
// then the weight and three unused numbers.
extern "C" __global__ void transmit(const float *paths, const int *roles, const float *fractions,
                                    const float *nodes, const float *given, float *primary,
                                    float *body, int surfaces, int energies, int rows,
                                    int columns) {
    const int film = blockIdx.y;
    const int count = rows * columns;
    const int first = (int)((long long)blockIdx.x * blockDim.x * PIXELS + threadIdx.x);
    const float *g = given + film * GIVEN;
    float fat[PIXELS], soft[PIXELS], hard[PIXELS], soft_bone[PIXELS], sum[PIXELS];
#pragma unroll
    for (int n = 0; n < PIXELS; n++) {
        const int pixel = first + n * (int)blockDim.x;
        float skin = 0.0f, muscle = 0.0f, bones = 0.0f, outer = 0.0f;
        bool no_muscle = true;
        hard[n] = soft_bone[n] = sum[n] = 0.0f;
        if (pixel < count) {
            const float *at = paths + (long long)film * surfaces * count + pixel;
            for (int s = 0; s < surfaces; s++) {
                const float path = at[(long long)s * count];
                const int role = roles[s];
                if (role == SKIN) {
                    skin = path;
                } else if (role == MUSCLE) {
                    muscle = path;
                    no_muscle = false;
                } else if (role == BONE) {
                    outer = path;
                    bones += path;
                    hard[n] += path;
                } else {
                    const float inner = fminf(path, outer);
                    const float rest = inner - inner * fractions[s];
                    hard[n] -= rest;
                    soft_bone[n] += rest;
                }
            }
        }
        soft[n] = fmaxf(muscle - bones, 0.0f);
        fat[n] = fmaxf(skin - (no_muscle ? bones : muscle), 0.0f);
    }
    const float *node = nodes + (long long)film * energies * 8;
    for (int k = 0; k < energies; k++, node += 8) {
        const float a = node[0], b = node[1], c = node[2], d = node[3], weight = node[4];
#pragma unroll
        for (int n = 0; n < PIXELS; n++)
            sum[n] += weight * exp2f(-(a * fat[n] + b * soft[n] + c * hard[n] + d * soft_bone[n]));
    }
#pragma unroll
    for (int n = 0; n < PIXELS; n++) {
        const int pixel = first + n * (int)blockDim.x;
        if (pixel >= count) continue;
        const float x = (float)(pixel % columns) - 0.5f * (float)(columns - 1);
        const float y = (float)(pixel / columns) - 0.5f * (float)(rows - 1);
        const long long at = (long long)film * count + pixel;
        primary[at] = sum[n] * (1.0f - y * g[HEEL_Y] - x * g[HEEL_X]);
        body[at] = fat[n] + soft[n] + hard[n] + soft_bone[n];
    }
}

// One thread a coarse cell: what scatters there, mean primary x mean thickness x share. Cells at
// an edge that runs through a pixel count the covered part of it.
extern "C" __global__ void coarsen(const float *primary, const float *body, const float *given,
                                   float *source, int rows, int columns, int coarse_rows,
                                   int coarse_columns) {
    const int film = blockIdx.y;
    const long long cell = thread_number();
    if (cell >= (long long)coarse_rows * coarse_columns) return;
    const float tall = (float)rows / coarse_rows, wide = (float)columns / coarse_columns;
    const float top = (float)(cell / coarse_columns) * tall;
    const float left = (float)(cell % coarse_columns) * wide;
    const int y1 = min(rows, (int)ceilf(top + tall)), x1 = min(columns, (int)ceilf(left + wide));
    const long long from = (long long)film * rows * columns;
    float signal = 0.0f, thickness = 0.0f, area = 0.0f;
    for (int y = (int)top; y < y1; y++) {
        const float high = fminf(y + 1.0f, top + tall) - fmaxf((float)y, top);
        for (int x = (int)left; x < x1; x++) {
            const float share = high * (fminf(x + 1.0f, left + wide) - fmaxf((float)x, left));
            signal += share * primary[from + (long long)y * columns + x];
            thickness += share * body[from + (long long)y * columns + x];
            area += share;
        }
    }
    source[(long long)film * coarse_rows * coarse_columns + cell] =
        signal / area * (thickness / area) * given[film * GIVEN + SCATTER];
}

// One thread a coarse cell: a Gaussian along rows (step 1) of the source by two widths at once.
// taps: (films, 2, reach + 1), from the middle outward.
extern "C" __global__ void spread_rows(const float *source, const float *taps, float *near_far,
                                       int coarse_rows, int coarse_columns, int reach) {
    const int film = blockIdx.y;
    const long long cells = (long long)coarse_rows * coarse_columns, cell = thread_number();
    if (cell >= cells) return;
    const float *row = source + film * cells + cell / coarse_columns * coarse_columns;
    const float *tap = taps + (long long)film * 2 * (reach + 1);
    const int x = (int)(cell % coarse_columns);
    float close = 0.0f, wide = 0.0f;
    for (int n = -reach; n <= reach; n++) {
        const float here = row[mirrored(x + n, coarse_columns)];
        close += tap[abs(n)] * here;
        wide += tap[reach + 1 + abs(n)] * here;
    }
    near_far[film * 2 * cells + cell] = close;
    near_far[film * 2 * cells + cells + cell] = wide;
}

// The same along columns, and both mixed.
extern "C" __global__ void spread_columns(const float *near_far, const float *taps, float *out,
                                          int coarse_rows, int coarse_columns, int reach) {
    const int film = blockIdx.y;
    const long long cells = (long long)coarse_rows * coarse_columns, cell = thread_number();
    if (cell >= cells) return;
    const float *close_at = near_far + film * 2 * cells, *wide_at = close_at + cells;
    const float *tap = taps + (long long)film * 2 * (reach + 1);
    const int x = (int)(cell % coarse_columns), y = (int)(cell / coarse_columns);
    float close = 0.0f, wide = 0.0f;
    for (int n = -reach; n <= reach; n++) {
        const long long at = (long long)mirrored(y + n, coarse_rows) * coarse_columns + x;
        close += tap[abs(n)] * close_at[at];
        wide += tap[reach + 1 + abs(n)] * wide_at[at];
    }
    out[film * cells + cell] = 0.6f * close + 0.4f * wide;
}

// Scatter between the coarse cells' centres, and quanta counted.
extern "C" __global__ void count_quanta(const float *primary, const float *scatter,
                                        const float *given, const unsigned int *seeds,
                                        float *signal, int rows, int columns, int coarse_rows,
                                        int coarse_columns, int noisy) {
    const int film = blockIdx.y;
    const int count = rows * columns, pixel = (int)thread_number();
    if (pixel >= count) return;
    const float y = ((float)(pixel / columns) + 0.5f) * coarse_rows / rows - 0.5f;
    const float x = ((float)(pixel % columns) + 0.5f) * coarse_columns / columns - 0.5f;
    const float fy = floorf(y), fx = floorf(x), v = y - fy, u = x - fx;
    const int y0 = max(0, (int)fy), y1 = min(coarse_rows - 1, (int)fy + 1);
    const int x0 = max(0, (int)fx), x1 = min(coarse_columns - 1, (int)fx + 1);
    const float *s = scatter + (long long)film * coarse_rows * coarse_columns;
    const float *upper = s + (long long)y0 * coarse_columns;
    const float *lower = s + (long long)y1 * coarse_columns;
    float value = primary[(long long)film * count + pixel];
    value += (upper[x0] * (1.0f - u) + upper[x1] * u) * (1.0f - v) +
             (lower[x0] * (1.0f - u) + lower[x1] * u) * v;
    if (noisy)
        value += sqrtf(value * given[film * GIVEN + QUANTUM]) *
                 normal((unsigned int)pixel, 0u, seeds[2 * film], seeds[2 * film + 1]);
    signal[(long long)film * count + pixel] = value;
}

// The detector's blur along rows. taps: (films, reach + 1), from the middle outward.
extern "C" __global__ void blur_rows(const float *signal, const float *taps, float *out, int rows,
                                     int columns, int reach) {
    const int film = blockIdx.y;
    const int count = rows * columns, pixel = (int)thread_number();
    if (pixel >= count) return;
    const float *row = signal + (long long)film * count + pixel / columns * columns;
    const float *tap = taps + (long long)film * (reach + 1);
    const int x = pixel % columns;
    float value = tap[0] * row[x];
    for (int n = 1; n <= reach; n++)
        value += tap[n] * (row[mirrored(x - n, columns)] + row[mirrored(x + n, columns)]);
    out[(long long)film * count + pixel] = value;
}

// The same along columns; electronic noise; and the logarithm.
extern "C" __global__ void blur_columns(const float *signal, const float *taps, const float *given,
                                        const unsigned int *seeds, float *density, int rows,
                                        int columns, int reach, int noisy) {
    const int film = blockIdx.y;
    const int count = rows * columns, pixel = (int)thread_number();
    if (pixel >= count) return;
    const float *column = signal + (long long)film * count + pixel % columns;
    const float *tap = taps + (long long)film * (reach + 1), *g = given + film * GIVEN;
    const int y = pixel / columns;
    float value = tap[0] * column[(long long)y * columns];
    for (int n = 1; n <= reach; n++)
        value += tap[n] * (column[(long long)mirrored(y - n, rows) * columns] +
                           column[(long long)mirrored(y + n, rows) * columns]);
    if (noisy)
        value += g[ELECTRONIC] *
                 normal((unsigned int)pixel, 1u, seeds[2 * film], seeds[2 * film + 1]);
    density[(long long)film * count + pixel] = -logf(fmaxf(value, g[LEAST]));
}

// Grey by the curve of film_formation/tone.py in the same 4096 steps. windows: (films, 2).
extern "C" __global__ void tone(const float *density, const float *windows, const float *given,
                                float *picture, int rows, int columns) {
    const int film = blockIdx.y;
    const int count = rows * columns, pixel = (int)thread_number();
    if (pixel >= count) return;
    const float *g = given + film * GIVEN;
    const float bottom = windows[2 * film], range = windows[2 * film + 1] - bottom;
    const float low = bottom + g[LOW] * range, high = bottom + g[HIGH] * range;
    const float scaled =
        (density[(long long)film * count + pixel] - low) * (4095.0f / fmaxf(high - low, 1e-6f));
    const float step = floorf(fminf(fmaxf(scaled, 0.0f), 4095.0f));
    const float t = powf(step / 4095.0f, g[GAMMA]);
    const float end = 1.0f / (1.0f + expf(4.5f));
    const float s = (1.0f / (1.0f + expf(-9.0f * (t - 0.5f))) - end) / (1.0f - 2.0f * end);
    picture[(long long)film * count + pixel] =
        g[DARK] + (g[BRIGHT] - g[DARK]) * ((1.0f - g[SIGMOID]) * t + g[SIGMOID] * s);
}
