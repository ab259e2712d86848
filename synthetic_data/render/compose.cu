// From path lengths to the primary signal of whole subjects, many films at once: the arithmetic of
// physics/materials.py, physics/texture.py and physics/beam.py, inserts and texture included.
//
// blockIdx.y is the film; one thread a pixel. Each film has surfaces of its own:
// first[film] ... first[film + 1] - 1 index `paths` and `codes`.

enum { SKIN, MUSCLE, BONE, MARROW, INSERT };
enum { CORTICAL = 2, MARROW_FAT = 3 };  // places among the materials: adipose, muscle come first

#define BONES 4
#define MATERIALS 14
#define TILE 1024
// Per film: BONES times {run 3, fine 6, coarse 6, dose 5}, then {mottle 6, its strength} and
// {fibres 6, their strength}.
#define PER_BONE 20
#define GRAIN (BONES * PER_BONE + 14)
// Per film: tiles of each bone's fine and coarse pattern, of the mottle and of the fibres.
#define PATTERNS (2 * BONES + 2)

// The repeating pattern between its pixels, linearly.
__device__ __forceinline__ float pattern_at(const float *tile, const float *at, float column,
                                            float row) {
    const float x = at[0] * column + at[1] * row + at[2];
    const float y = at[3] * column + at[4] * row + at[5];
    const float fx = floorf(x), fy = floorf(y);
    const int i = (int)fx, j = (int)fy, mask = TILE - 1;
    const float u = x - fx, v = y - fy;
    const int i0 = i & mask, i1 = (i + 1) & mask;
    const float *upper = tile + (long long)(j & mask) * TILE;
    const float *lower = tile + (long long)((j + 1) & mask) * TILE;
    const float above = upper[i0] * (1.0f - u) + upper[i1] * u;
    const float below = lower[i0] * (1.0f - u) + lower[i1] * u;
    return above * (1.0f - v) + below * v;
}

__device__ __forceinline__ float bounded(float x, float low, float high) {
    return fminf(fmaxf(x, low), high);
}

// Share of mineral inside a marrow surface where the ray's path in it is `path`.
__device__ __forceinline__ float mineral(float path, const float *g, const float *fine,
                                         const float *coarse, float column, float row) {
    const float *dose = g + 15;
    const float u = g[0] * column + g[1] * row + g[2];
    const float t = bounded((u - 0.3f) / 0.6f, 0.0f, 1.0f);
    float share = dose[0] * (1.0f - (1.0f - dose[1]) * t * t * (3.0f - 2.0f * t));
    if (u < 0.2f) {
        const float near = 1.0f - fmaxf(u, 0.0f) / 0.2f;
        share *= 1.0f + dose[4] * near * near;
    }
    float varied = dose[2] * sqrtf(10.0f / fmaxf(path, 2.0f)) *
                   pattern_at(fine, g + 3, column, row);
    varied += dose[3] * pattern_at(coarse, g + 9, column, row);
    return fminf(share * bounded(1.0f + varied, 0.1f, 2.5f), 0.9f);
}

// paths: (surfaces, rows, columns) mm. codes: (surfaces, 3) kind, which bone or material, and for
// an insert what it displaces: 0 nothing, 1 skin, 2 muscle, 3 + bone, 3 + BONES + bone's marrow.
// nodes: (films, energies, MATERIALS + 1) attenuation in 1/mm x log2(e), then the weight.
extern "C" __global__ void compose(const float *paths, const int *first, const int *codes,
                                   const float *grain, const int *patterns, const float *tiles,
                                   const float *nodes, float *primary, float *body, int energies,
                                   int rows, int columns) {
    const int film = blockIdx.y;
    const long long count = (long long)rows * columns;
    const long long pixel = (long long)blockIdx.x * blockDim.x + threadIdx.x;
    if (pixel >= count) return;
    const float row = (float)(pixel / columns), column = (float)(pixel % columns);
    const float *grains = grain + (long long)film * GRAIN;
    const int *which = patterns + film * PATTERNS;
    const long long area = (long long)TILE * TILE;

    float skin = 0.0f, muscle = 0.0f;
    float outer[BONES], inner[BONES], from_bone[BONES], from_marrow[BONES];
    float of[MATERIALS];
    float from_skin = 0.0f, from_muscle = 0.0f;
    for (int b = 0; b < BONES; b++) outer[b] = inner[b] = from_bone[b] = from_marrow[b] = 0.0f;
    for (int m = 0; m < MATERIALS; m++) of[m] = 0.0f;

    for (int s = first[film]; s < first[film + 1]; s++) {
        const float path = paths[s * count + pixel];
        if (path <= 0.0f) continue;
        const int *code = codes + 3 * s;
        if (code[0] == SKIN) skin += path;
        else if (code[0] == MUSCLE) muscle += path;
        else if (code[0] == BONE) outer[code[1]] += path;
        else if (code[0] == MARROW) inner[code[1]] += path;
        else {
            of[code[1]] += path;
            const int within = code[2];
            if (within == 1) from_skin += path;
            else if (within == 2) from_muscle += path;
            else if (within >= 3 + BONES) from_marrow[within - 3 - BONES] += path;
            else if (within >= 3) from_bone[within - 3] += path;
        }
    }
    float bones = 0.0f;
    for (int b = 0; b < BONES; b++) {
        if (outer[b] <= 0.0f) {
            from_muscle += from_bone[b] + from_marrow[b];
            continue;
        }
        bones += outer[b];
        const float inside = fminf(inner[b], outer[b]);
        const float left = inside - from_marrow[b];
        const float shell = outer[b] - inside - from_bone[b] - fmaxf(-left, 0.0f);
        from_muscle += fmaxf(-shell, 0.0f);
        of[CORTICAL] += fmaxf(shell, 0.0f);
        if (left > 0.0f) {
            const float share =
                mineral(inner[b], grains + b * PER_BONE, tiles + which[2 * b] * area,
                        tiles + which[2 * b + 1] * area, column, row);
            of[CORTICAL] += left * share;
            of[MARROW_FAT] += left * (1.0f - share);
        }
    }
    const bool has_muscle = muscle > 0.0f;
    const float soft = has_muscle ? muscle - bones - from_muscle : 0.0f;
    of[1] = fmaxf(soft, 0.0f);
    from_skin += has_muscle ? fmaxf(-soft, 0.0f) : from_muscle;
    of[0] = fmaxf(skin - (has_muscle ? muscle : bones) - from_skin, 0.0f);

    const float *mottle = grains + BONES * PER_BONE, *fibres = mottle + 7;
    if (of[CORTICAL] > 0.0f && mottle[6] > 0.0f) {
        const float varied =
            pattern_at(tiles + which[2 * BONES] * area, mottle, column, row);
        of[CORTICAL] *= 1.0f + mottle[6] * bounded(varied, -2.5f, 2.5f);
    }
    if (of[1] > 0.0f && fibres[6] > 0.0f) {
        const float varied =
            pattern_at(tiles + which[2 * BONES + 1] * area, fibres, column, row);
        const float share = bounded(fibres[6] * (varied + 0.6f), 0.0f, 0.6f);
        const float taken = fminf(share * sqrtf(of[1] * 40.0f), of[1]);
        of[1] -= taken;
        of[0] += taken;
    }
    float signal = 0.0f;
    const float *node = nodes + (long long)film * energies * (MATERIALS + 1);
    for (int e = 0; e < energies; e++, node += MATERIALS + 1) {
        float depth = 0.0f;
        for (int m = 0; m < MATERIALS; m++) depth += node[m] * of[m];
        signal += node[MATERIALS] * exp2f(-fminf(depth, 120.0f));
    }
    primary[(long long)film * count + pixel] = signal;
    body[(long long)film * count + pixel] = of[0] + of[1] + of[CORTICAL] + of[MARROW_FAT];
}
