/* What is measured of a burnt-out area on the small picture: maps, and means of them.
 *
 * These count in float32 where the measure does, one operation after another as written,
 * and add up in double, so that the Python beside this file gives the same to the last
 * bit.
 */
#include "planes.h"

#if defined(__clang__)
#pragma STDC FP_CONTRACT OFF
#elif defined(__GNUC__)
#pragma GCC optimize("fp-contract=off", "no-trapping-math")
#endif

#define MAPS 24        /* what is gathered, see `MAPS` beside this file */
#define OWN 8          /* what a place shows itself */
#define MOST_WIDE 1024 /* cells of a row */
#define ROOM 1040      /* and room for them: rows must not all lie alike in the cache */
#define STEPS 512      /* of the tables of a white at each luma */
#define BESIDE 4       /* cells around what burns in which its rim lies */
#define AT_ONCE 128    /* places whose ratios are made together */
#define LANES 4        /* maps that are added up together */
#define BLOCK 4        /* pixels of a block's side */

static inline float most_of(float a, float b) { return a > b ? a : b; }
static inline float least_of(float a, float b) { return a < b ? a : b; }
static inline float kept_in(float v, float low, float high)
{
    return least_of(most_of(v, low), high);
}

/* ------------------------------------------------------------------ neighbours */

/* The most, or the least, of squares of 2 r + 1 cells; what is outside does not count. */
#define SQUARES(NAME, TYPE, OF, NOTHING)                                               \
    CLONES static void NAME(const TYPE *in, Py_ssize_t h, Py_ssize_t w, Py_ssize_t r,  \
                            TYPE *room, TYPE *out)                                     \
    {                                                                                  \
        TYPE padded[MOST_WIDE + 2 * BESIDE];                                           \
        for (Py_ssize_t x = 0; x < r; x++)                                             \
            padded[x] = padded[w + r + x] = NOTHING;                                   \
        for (Py_ssize_t y = 0; y < h; y++) {                                           \
            TYPE *restrict to = room + y * w;                                          \
            memcpy(padded + r, in + y * w, (size_t)w * sizeof(TYPE));                  \
            memcpy(to, padded, (size_t)w * sizeof(TYPE));                              \
            for (Py_ssize_t k = 1; k <= 2 * r; k++)                                    \
                for (Py_ssize_t x = 0; x < w; x++)                                     \
                    to[x] = to[x] OF padded[x + k] ? to[x] : padded[x + k];            \
        }                                                                              \
        for (Py_ssize_t y = 0; y < h; y++) {                                           \
            TYPE *restrict to = out + y * w;                                           \
            Py_ssize_t first = y < r ? 0 : y - r, last = y + r < h ? y + r : h - 1;    \
            memcpy(to, room + first * w, (size_t)w * sizeof(TYPE));                    \
            for (Py_ssize_t k = first + 1; k <= last; k++)                             \
                for (Py_ssize_t x = 0; x < w; x++)                                     \
                    to[x] = to[x] OF room[k * w + x] ? to[x] : room[k * w + x];        \
        }                                                                              \
    }

SQUARES(most_bytes, uint8_t, >, 0)
SQUARES(least_bytes, uint8_t, <, 255)
SQUARES(most_floats, float, >, -INFINITY)
SQUARES(least_floats, float, <, INFINITY)

/* ------------------------------------------------------------------ maps */

/* Levels between which things are told apart, in the order of `BrightLevels`. */
typedef struct {
    float end, told_under, ended_from, rim_from, most_stops;
    float warm_luma, warm_from, warm_red, pale_luma, pale_red, pale_blue;
    float blood_luma, blood_from, still_warm, white_red, from, scale;
} Levels;

typedef struct {
    Py_ssize_t h, w;
    const float *rgb, *luma, *burnt, *colour, *tables; /* tables: (4, STEPS) */
    Levels l;
} Scene;

/* What one row of cells is, from its own cells alone. */
typedef struct {
    float red[ROOM], blue[ROOM], highest[ROOM], lowest[ROOM];
    float white_r[ROOM], white_b[ROOM];
    float burns[ROOM], tissue[ROOM], pale[ROOM], blood[ROOM];
} Row;

CLONES static void read_row(const Scene *s, Py_ssize_t y, Row *restrict o)
{
    Py_ssize_t w = s->w, n = s->h * w, at = y * w;
    const float *r = s->rgb + at, *g = r + n, *b = g + n, *luma = s->luma + at;
    const float *burnt = s->burnt + at, *first = s->colour + at, *second = first + n;
    Levels l = s->l;
    int32_t place[ROOM];
    for (Py_ssize_t x = 0; x < w; x++)
        place[x] = (int32_t)kept_in((luma[x] - l.from) * l.scale, 0.0f, STEPS - 1);
    for (Py_ssize_t x = 0; x < w; x++) {
        const float *t = s->tables + place[x];
        o->red[x] = kept_in(first[x] - t[0], -l.most_stops, l.most_stops);
        o->blue[x] = kept_in(second[x] - t[STEPS], -l.most_stops, l.most_stops);
        o->white_r[x] = t[2 * STEPS];
        o->white_b[x] = t[3 * STEPS];
    }
    for (Py_ssize_t x = 0; x < w; x++) {
        float red = o->red[x], blue = o->blue[x];
        float high = most_of(most_of(r[x], g[x]), b[x]);
        int burns = burnt[x] > 0.5f, free = (high < l.ended_from) & !burns;
        o->highest[x] = high;
        o->lowest[x] = least_of(least_of(r[x], g[x]), b[x]);
        o->burns[x] = burns ? 1.0f : 0.0f;
        int warm = (luma[x] > l.warm_luma) & (red - blue > l.warm_from);
        o->tissue[x] = free & warm & (red > l.warm_red) ? 1.0f : 0.0f;
        int pale = (fabsf(red) < l.pale_red) & (fabsf(blue) < l.pale_blue);
        o->pale[x] = free & pale & (luma[x] > l.pale_luma) ? 1.0f : 0.0f;
        int bloody = first[x] - l.white_red > l.blood_from;
        o->blood[x] = free & bloody & (luma[x] > l.blood_luma) ? 1.0f : 0.0f;
    }
}

/* A row of luma with one cell more at each side, mirrored about its outermost ones. */
static void mirrored(const float *luma, Py_ssize_t w, float *out)
{
    memcpy(out + 1, luma, (size_t)w * sizeof(float));
    out[0] = luma[1];
    out[w + 1] = luma[w - 2];
}

/* How rough luma is, and the square of how steep, in one row. */
CLONES static void read_slopes(const Scene *s, Py_ssize_t y, float *restrict grain,
                               float *restrict steep)
{
    float a[MOST_WIDE + 2], b[MOST_WIDE + 2], c[MOST_WIDE + 2];
    Py_ssize_t w = s->w;
    mirrored(s->luma + (y ? y - 1 : 1) * w, w, a);
    mirrored(s->luma + y * w, w, b);
    mirrored(s->luma + (y + 1 < s->h ? y + 1 : s->h - 2) * w, w, c);
    for (Py_ssize_t x = 0; x < w; x++) {
        grain[x] = fabsf((a[x + 1] + c[x + 1]) + (b[x] + b[x + 2]) - 4.0f * b[x + 1]);
        float across = (a[x + 2] - a[x]) + 2.0f * (b[x + 2] - b[x]) + (c[x + 2] - c[x]);
        float down = (c[x] - a[x]) + 2.0f * (c[x + 1] - a[x + 1]) + (c[x + 2] - a[x + 2]);
        across *= 0.25f;
        down *= 0.25f;
        steep[x] = across * across + down * down;
    }
}

/* What the neighbours of a row's cells say. */
typedef struct {
    const uint8_t *near, *most, *least, *flesh;
    const float *dips;
} Beside;

/* Fills the maps of one row, and returns how many cells burn and are still warm. */
CLONES static Py_ssize_t draw_row(const Scene *s, Py_ssize_t y, const Row *restrict o,
                                  const Beside *at, float (*restrict m)[ROOM])
{
    float grain[ROOM], steep[ROOM];
    Py_ssize_t w = s->w, n = s->h * w;
    int32_t still = 0;
    const float *r = s->rgb + y * w, *b = r + 2 * n, *luma = s->luma + y * w;
    Levels l = s->l;
    read_slopes(s, y, grain, steep);
    for (Py_ssize_t x = 0; x < w; x++) {
        float burns = o->burns[x], red = o->red[x], blue = o->blue[x];
        float told = luma[x] < l.told_under ? burns : 0.0f;
        float per_under = told / most_of(l.end - luma[x], 0.004f);
        m[0][x] = burns;
        m[1][x] = told;
        m[2][x] = o->lowest[x] > l.ended_from ? burns : 0.0f;
        m[3][x] = kept_in(l.end - o->lowest[x], 0.0f, 1.0f) * burns;
        m[4][x] = told * blue;
        m[5][x] = kept_in((o->white_r[x] - r[x]) * per_under, -2.0f, 2.0f);
        m[6][x] = kept_in((o->white_b[x] - b[x]) * per_under, -2.0f, 4.0f);
        still += (told > 0.0f) & (red - blue > l.still_warm);
    }
    for (Py_ssize_t x = 0; x < w; x++) {
        float burns = o->burns[x], red = o->red[x], blue = o->blue[x];
        float rim = luma[x] > l.rim_from ? (float)at->near[x] - burns : 0.0f;
        m[7][x] = rim;
        m[8][x] = rim * red;
        m[9][x] = rim * blue;
        m[10][x] = red * red + blue * blue; /* its root, where there is a rim */
        m[11][x] = rim * grain[x];
        m[14][x] = burns * grain[x];
        m[23][x] = at->dips[x] * burns;
    }
    for (Py_ssize_t x = 0; x < w; x++) {
        float edge = (float)(at->most[x] - at->least[x]);
        m[12][x] = edge;
        m[21][x] = edge * (float)at->flesh[x];
    }
    for (Py_ssize_t x = 0; x < w; x++) {
        m[10][x] = m[7][x] > 0.0f ? sqrtf(m[10][x]) : 0.0f;
        m[13][x] = m[12][x] > 0.0f ? sqrtf(steep[x]) : 0.0f;
        m[22][x] = m[21][x] > 0.0f ? m[13][x] : 0.0f;
    }
    for (Py_ssize_t x = 0; x < w; x++) {
        float tissue = o->tissue[x];
        m[15][x] = tissue;
        m[16][x] = tissue * luma[x];
        m[17][x] = tissue * o->red[x];
        m[18][x] = tissue * o->blue[x];
        m[19][x] = o->pale[x];
        m[20][x] = o->blood[x];
    }
    return still;
}

/* Means of two by two cells of two rows. */
static void halve(const float *restrict one, const float *restrict two, Py_ssize_t n,
                  float *restrict out)
{
    for (Py_ssize_t x = 0; x < n; x++)
        out[x] = ((one[2 * x] + one[2 * x + 1]) + (two[2 * x] + two[2 * x + 1])) * 0.25f;
}

static void halve_own(const Scene *s, Py_ssize_t y, const Row rows[2], float *own)
{
    Py_ssize_t w = s->w, n = s->h * w, half = n / 4, at = y * w;
    const float *of[OWN][2];
    for (int i = 0; i < 2; i++) {
        of[0][i] = rows[i].red;
        of[1][i] = rows[i].blue;
        of[2][i] = rows[i].highest;
        of[3][i] = rows[i].lowest;
        of[4][i] = s->colour + at + i * w;
        of[5][i] = s->colour + n + at + i * w;
        of[6][i] = s->luma + at + i * w;
        of[7][i] = s->burnt + at + i * w;
    }
    for (int k = 0; k < OWN; k++)
        halve(of[k][0], of[k][1], w / 2, own + k * half + y / 2 * (w / 2));
}

/* Room: bytes for six planes, and floats for two. */
static Py_ssize_t draw(const Scene *s, uint8_t *bytes, float *floats, Row rows[2],
                       float (*m)[MAPS][ROOM], float *maps, float *own, float *pale,
                       float *dips)
{
    Py_ssize_t h = s->h, w = s->w, n = h * w, still = 0;
    uint8_t *mask = bytes, *near = bytes + n, *most = bytes + 2 * n;
    uint8_t *least = bytes + 3 * n, *flesh = bytes + 4 * n, *room = bytes + 5 * n;
    float *lowest = floats, *wide = floats + n;
    for (Py_ssize_t y = 0; y < h; y++) {
        read_row(s, y, rows);
        memcpy(lowest + y * w, rows->lowest, (size_t)w * sizeof(float));
        memcpy(pale + y * w, rows->pale, (size_t)w * sizeof(float));
        for (Py_ssize_t x = 0; x < w; x++) {
            mask[y * w + x] = rows->burns[x] > 0.0f;
            flesh[y * w + x] = (rows->tissue[x] > 0.0f) | (rows->blood[x] > 0.0f);
        }
    }
    /* Narrow dark lines: what closing over five cells fills. */
    most_floats(lowest, h, w, 2, dips, wide);
    least_floats(wide, h, w, 2, dips, wide);
    for (Py_ssize_t i = 0; i < n; i++)
        dips[i] = wide[i] - lowest[i];
    most_bytes(flesh, h, w, 1, room, near);
    memcpy(flesh, near, (size_t)n);
    most_bytes(mask, h, w, BESIDE, room, near);
    most_bytes(mask, h, w, 1, room, most);
    least_bytes(mask, h, w, 1, room, least);
    for (Py_ssize_t y = 0; y < h; y += 2) {
        for (int i = 0; i < 2; i++) {
            Py_ssize_t at = (y + i) * w;
            Beside b = {near + at, most + at, least + at, flesh + at, dips + at};
            read_row(s, y + i, &rows[i]);
            still += draw_row(s, y + i, &rows[i], &b, m[i]);
        }
        for (int k = 0; k < MAPS; k++)
            halve(m[0][k], m[1][k], w / 2, maps + k * (n / 4) + y / 2 * (w / 2));
        halve_own(s, y, rows, own);
    }
    return still;
}

PyObject *bright_maps(PyObject *self, PyObject *given)
{
    (void)self;
    PyObject *from[5], *into[3];
    Scene s;
    Levels *l = &s.l;
    if (!PyArg_ParseTuple(
            given, "(nn)OOOOO(fffffffffffffffff)OOO", &s.h, &s.w, &from[0], &from[1],
            &from[2], &from[3], &from[4], &l->end, &l->told_under, &l->ended_from,
            &l->rim_from, &l->most_stops, &l->warm_luma, &l->warm_from, &l->warm_red,
            &l->pale_luma, &l->pale_red, &l->pale_blue, &l->blood_luma, &l->blood_from,
            &l->still_warm, &l->white_red, &l->from, &l->scale, &into[0], &into[1],
            &into[2]))
        return NULL;
    Held held = {.held = 0};
    if (s.h < 2 || s.w < 2 || s.h % 2 || s.w % 2 || s.w > MOST_WIDE || s.h > MOST_WIDE)
        return refuse(&held, "such a small picture is not drawn");
    Py_ssize_t n = s.h * s.w;
    float *maps, *own, *pale, *dips;
    if ((s.rgb = hold_floats(&held, from[0], 3 * n, 0)) == NULL ||
        (s.luma = hold_floats(&held, from[1], n, 0)) == NULL ||
        (s.burnt = hold_floats(&held, from[2], n, 0)) == NULL ||
        (s.colour = hold_floats(&held, from[3], 2 * n, 0)) == NULL ||
        (s.tables = hold_floats(&held, from[4], 4 * STEPS, 0)) == NULL)
        return refuse(&held, NULL);
    if ((maps = hold_floats(&held, into[0], MAPS * (n / 4), 1)) == NULL ||
        (own = hold_floats(&held, into[1], OWN * (n / 4), 1)) == NULL ||
        (pale = hold_floats(&held, into[2], 2 * n, 1)) == NULL)
        return refuse(&held, NULL);
    dips = pale + n;
    size_t rows = 2 * sizeof(Row), lines = 2 * MAPS * ROOM * sizeof(float);
    char *room = malloc(rows + lines + (size_t)n * (2 * sizeof(float) + 6));
    if (room == NULL) {
        let_go(&held);
        return PyErr_NoMemory();
    }
    Py_ssize_t still;
    Py_BEGIN_ALLOW_THREADS
    float *floats = (float *)(room + rows + lines);
    still = draw(&s, (uint8_t *)(floats + 2 * n), floats, (Row *)room,
                 (float(*)[MAPS][ROOM])(room + rows), maps, own, pale, dips);
    Py_END_ALLOW_THREADS
    free(room);
    let_go(&held);
    return PyLong_FromSsize_t(still);
}

/* ------------------------------------------------------------------ means of maps */

/* What means of the maps say: `RATIOS` beside this file. Row k of both begins k * step
 * and k * out_step after the first. */
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
