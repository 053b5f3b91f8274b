/* What maps of a burnt-out area say of its places: means over squares and groups; and
 * burnt-out pixels counted by blocks.
 *
 * Means are added up in double and weighed in float32, one operation after another as
 * written, so that `bright.py` gives the same to the last bit.
 */
#include "planes.h"
#include "exact.h"

#define MAPS 24        /* in the order of `MAPS` in `bright.py` */
#define MOST_WIDE 1024 /* places of a row */
#define AT_ONCE 128    /* places whose ratios are made together */
#define LANES 4        /* maps that are added up together */
#define BLOCK 4        /* pixels of a block's side */

/* ------------------------------------------------------------------ means of maps */

/* What means of the maps say of a place. Row k of both begins k * step and k * out_step
 * after the first. */
CLONES static void ratios_of(const float *restrict m, Py_ssize_t step, Py_ssize_t n,
                             float level, float *restrict out, Py_ssize_t out_step)
{
    const float few = 0.004f, half_few = 0.004f / 2.0f;
#define M(k) m[(k) * step + i]
#define OUT(k) out[(k) * out_step + i]
    for (Py_ssize_t i = 0; i < n; i++) {
        float all = M(0) + few;
        OUT(0) = M(0);
        OUT(1) = M(1) / all;
        OUT(2) = M(2) / all;
        OUT(3) = M(3) / all;
        OUT(7) = M(7) / all;
        OUT(12) = M(12) / all;
        OUT(14) = 20.0f * M(14) / all;
        OUT(23) = 50.0f * M(23) / all;
    }
    for (Py_ssize_t i = 0; i < n; i++) {
        float some = M(1) + few, rim = M(7) + few, edge = M(12) + few;
        for (int k = 4; k < 7; k++)
            OUT(k) = M(k) / some;
        for (int k = 8; k < 11; k++)
            OUT(k) = M(k) / rim;
        OUT(11) = 30.0f * M(11) / rim;
        OUT(13) = 20.0f * M(13) / edge;
        OUT(21) = M(21) / edge;
        OUT(22) = 20.0f * M(22) / (M(21) + few);
    }
    for (Py_ssize_t i = 0; i < n; i++) {
        float flesh = M(15) + few, free = 1.0f - M(0) + few;
        OUT(15) = M(15) / free;
        OUT(16) = (M(16) + half_few) / flesh / level;
        OUT(17) = M(17) / flesh;
        OUT(18) = M(18) / flesh;
        OUT(19) = M(19) / free;
        OUT(20) = M(20) / free;
    }
#undef M
#undef OUT
}

/* Sums over all above and left, of four maps side by side; the maps' outermost places
 * are repeated `r` times on each side, and nothing lies before the first line and row. */
CLONES static void sum_up(const float *maps, Py_ssize_t h, Py_ssize_t w, Py_ssize_t r,
                          double *out)
{
    Py_ssize_t wide = w + 2 * r + 1, line = wide * LANES;
    memset(out, 0, (size_t)line * sizeof(double));
    for (Py_ssize_t y = 0; y < h + 2 * r; y++) {
        Py_ssize_t row = y < r ? 0 : y - r < h ? y - r : h - 1;
        const double *above = out;
        double sum[LANES] = {0.0};
        out += line;
        memset(out, 0, LANES * sizeof(double));
        for (Py_ssize_t x = 1; x < wide; x++) {
            Py_ssize_t at = x - 1 < r ? 0 : x - 1 - r < w ? x - 1 - r : w - 1;
            for (int k = 0; k < LANES; k++) {
                sum[k] += (double)maps[k * h * w + row * w + at];
                out[x * LANES + k] = above[x * LANES + k] + sum[k];
            }
        }
    }
}

/* Means over a square about each of some places, of four maps. */
static void mean_squares(const double *sums, Py_ssize_t w, Py_ssize_t r, Py_ssize_t side,
                         const int64_t *at, Py_ssize_t n, float *out, Py_ssize_t step)
{
    Py_ssize_t line = (w + 2 * r + 1) * LANES, far = side * LANES;
    double share = 1.0 / (double)(side * side);
    for (Py_ssize_t i = 0; i < n; i++) {
        Py_ssize_t y = at[i] / w + r - side / 2, x = at[i] % w + r - side / 2;
        const double *top = sums + y * line + x * LANES, *end = top + side * line;
        for (int k = 0; k < LANES; k++)
            out[k * step + i] =
                (float)((((end[far + k] - end[k]) - top[far + k]) + top[k]) * share);
    }
}

static const int64_t *hold_at(Held *held, PyObject *from, Py_ssize_t n, Py_ssize_t cells)
{
    const int64_t *at = hold_items(held, from, n, "lq", 0);
    if (at == NULL)
        return NULL;
    for (Py_ssize_t i = 0; i < n; i++)
        if (at[i] < 0 || at[i] >= cells) {
            PyErr_SetString(PyExc_ValueError, "there is no such place");
            return NULL;
        }
    return at;
}

PyObject *bright_squares(PyObject *self, PyObject *given)
{
    (void)self;
    PyObject *from[3], *into;
    Py_ssize_t h, w, n, many;
    float level;
    if (!PyArg_ParseTuple(given, "(nn)OnOnOfO", &h, &w, &from[0], &n, &from[1], &many,
                          &from[2], &level, &into))
        return NULL;
    Held held = {.held = 0};
    if (h < 1 || w < 1 || h > MOST_WIDE || w > MOST_WIDE || n < 0 || many < 1)
        return refuse(&held, "such maps are not read");
    const float *maps = hold_floats(&held, from[0], MAPS * h * w, 0);
    const int64_t *at, *sides;
    float *out;
    if (maps == NULL || (at = hold_at(&held, from[1], n, h * w)) == NULL ||
        (sides = hold_items(&held, from[2], many, "lq", 0)) == NULL ||
        (out = hold_floats(&held, into, many * MAPS * n, 1)) == NULL)
        return refuse(&held, NULL);
    Py_ssize_t r = 0;
    for (Py_ssize_t i = 0; i < many; i++) {
        if (sides[i] < 1 || sides[i] % 2 == 0 || sides[i] > MOST_WIDE)
            return refuse(&held, "squares have odd sides");
        r = sides[i] / 2 > r ? (Py_ssize_t)sides[i] / 2 : r;
    }
    size_t cells = (size_t)(h + 2 * r + 1) * (size_t)(w + 2 * r + 1) * LANES;
    double *sums = malloc(cells * sizeof(double));
    if (sums == NULL) {
        let_go(&held);
        return PyErr_NoMemory();
    }
    Py_BEGIN_ALLOW_THREADS
    for (int k = 0; k < MAPS; k += LANES) {
        sum_up(maps + k * h * w, h, w, r, sums);
        for (Py_ssize_t i = 0; i < many; i++)
            mean_squares(sums, w, r, (Py_ssize_t)sides[i], at, n,
                         out + (i * MAPS + k) * n, n);
    }
    float means[MAPS][AT_ONCE];
    for (Py_ssize_t i = 0; i < many; i++, out += MAPS * n)
        for (Py_ssize_t first = 0; first < n; first += AT_ONCE) {
            Py_ssize_t some = n - first < AT_ONCE ? n - first : AT_ONCE;
            for (int k = 0; k < MAPS; k++)
                memcpy(means[k], out + k * n + first, (size_t)some * sizeof(float));
            ratios_of(means[0], AT_ONCE, some, level, out + first, n);
        }
    Py_END_ALLOW_THREADS
    free(sums);
    return done(&held);
}

PyObject *bright_groups(PyObject *self, PyObject *given)
{
    (void)self;
    PyObject *from[3], *into;
    Py_ssize_t cells, number, n;
    float level;
    if (!PyArg_ParseTuple(given, "nOnOnOfO", &cells, &from[0], &number, &from[1], &n,
                          &from[2], &level, &into))
        return NULL;
    Held held = {.held = 0};
    if (cells < 0 || cells > INT32_MAX || number < 1 || n < 0 || number > PAIRS)
        return refuse(&held, "such groups are not read");
    const float *maps = hold_floats(&held, from[0], MAPS * cells, 0);
    const int32_t *group = maps == NULL ? NULL : hold_items(&held, from[1], cells, "i", 0);
    const int64_t *at;
    float *out;
    if (group == NULL || (at = hold_at(&held, from[2], n, cells)) == NULL ||
        (out = hold_floats(&held, into, MAPS * n, 1)) == NULL)
        return refuse(&held, NULL);
    for (Py_ssize_t i = 0; i < cells; i++)
        if (group[i] < 0 || group[i] >= number)
            return refuse(&held, "there is no such group");
    size_t sums = (size_t)number * sizeof(double), means = number * sizeof(float);
    size_t lists = (size_t)cells * sizeof(int32_t);
    double *sum = malloc(sums + (2 * MAPS + 1) * means + lists);
    if (sum == NULL) {
        let_go(&held);
        return PyErr_NoMemory();
    }
    Py_BEGIN_ALLOW_THREADS
    float *count = (float *)(sum + number), *mean = count + number;
    float *ratio = mean + MAPS * number;
    int32_t *inside = (int32_t *)(ratio + MAPS * number);
    Py_ssize_t some = 0;
    memset(sum, 0, sums);
    for (Py_ssize_t i = 0; i < cells; i++)
        if (group[i] > 0) {
            sum[group[i]] += 1.0;
            inside[some++] = (int32_t)i;
        }
    for (Py_ssize_t g = 0; g < number; g++)
        count[g] = (float)sum[g] + 1e-3f;
    for (int k = 0; k < MAPS; k++) {
        const float *map = maps + k * cells;
        memset(sum, 0, sums);
        for (Py_ssize_t i = 0; i < some; i++)
            sum[group[inside[i]]] += (double)map[inside[i]];
        for (Py_ssize_t g = 0; g < number; g++)
            mean[k * number + g] = (float)sum[g] / count[g];
    }
    ratios_of(mean, number, number, level, ratio, number);
    for (int k = 0; k < MAPS; k++)
        for (Py_ssize_t i = 0; i < n; i++)
            out[k * n + i] = ratio[k * number + group[at[i]]];
    Py_END_ALLOW_THREADS
    free(sum);
    return done(&held);
}

/* ------------------------------------------------------------------ blocks */

/* How many pixels of each block of four lines are at or above a code. */
#define BLOCKS(type)                                                                    \
    CLONES static void blocks_of_##type(const Plane *p, Py_ssize_t y, type code,        \
                                        uint8_t *restrict sums, uint8_t *out)           \
    {                                                                                   \
        Py_ssize_t n = p->width, across = (n + BLOCK - 1) / BLOCK;                      \
        memset(sums, 0, (size_t)(BLOCK * across));                                      \
        for (Py_ssize_t end = y + BLOCK; y < end && y < p->height; y++) {               \
            const type *row = (const type *)line(p, y);                                 \
            for (Py_ssize_t x = 0; x < n; x++)                                          \
                sums[x] = (uint8_t)(sums[x] + (row[x] >= code));                        \
        }                                                                               \
        for (Py_ssize_t i = 0; i < across; i++, sums += BLOCK)                          \
            out[i] = (uint8_t)(sums[0] + sums[1] + sums[2] + sums[3]);                  \
    }

BLOCKS(uint8_t)
BLOCKS(uint16_t)

PyObject *bright_blocks(PyObject *self, PyObject *given)
{
    (void)self;
    PyObject *from, *into;
    int code;
    if (!PyArg_ParseTuple(given, "OiO", &from, &code, &into))
        return NULL;
    Held held = {.held = 0};
    Plane p;
    if (hold_plane(&held, from, &p) < 0)
        return refuse(&held, NULL);
    Py_ssize_t down = (p.height + BLOCK - 1) / BLOCK, across = (p.width + BLOCK - 1) / BLOCK;
    uint8_t *out = hold_bytes(&held, into, down * across, 1);
    if (out == NULL || code < 0 || code > (p.wide ? 65535 : 255))
        return refuse(&held, out == NULL ? NULL : "there is no such code");
    uint8_t *sums = malloc((size_t)(BLOCK * across + 1));
    if (sums == NULL) {
        let_go(&held);
        return PyErr_NoMemory();
    }
    Py_BEGIN_ALLOW_THREADS
    for (Py_ssize_t y = 0; y < p.height; y += BLOCK, out += across)
        if (p.wide)
            blocks_of_uint16_t(&p, y, (uint16_t)code, sums, out);
        else
            blocks_of_uint8_t(&p, y, (uint8_t)code, sums, out);
    Py_END_ALLOW_THREADS
    free(sums);
    return done(&held);
}
