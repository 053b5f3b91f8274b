/* What is measured of a burnt-out area on the small picture: two dozen maps.
 *
 * These count in float32 where the measure does, one operation after another as written,
 * so that `bright.py` gives the same to the last bit.
 */
#include "planes.h"
#include "exact.h"

#if defined(__GNUC__) && !defined(__clang__)
#pragma GCC optimize("no-trapping-math")
#endif

#define MAPS 24        /* what is gathered, see `MAPS` in `bright.py` */
#define OWN 8          /* what a place shows itself */
#define MOST_WIDE 1024 /* cells of a row */
#define ROOM 1040      /* and room for them: rows must not all lie alike in the cache */
#define STEPS 512      /* of the tables of a white at each luma */
#define BESIDE 4       /* cells around what burns in which its rim lies */

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
