/* Parts of all three planes of a picture: a patch, and single pixels on a grid.
 *
 * A patch is counted in whole numbers. Of pixels on a grid colours are made in float32,
 * one operation after another as written, so that the Python beside this file gives the
 * same to the last bit.
 */
#include "planes.h"
#include "exact.h"

#define TILES 4          /* of a patch, along each side */
#define MOST_ACROSS 4096 /* pixels of a line of a grid */
#define MOST_BAND 4096   /* pixels of a band of a picture */
#define AHEAD 8          /* lines that are asked for before they are read */

static int hold_planes(Held *held, PyObject *const *from, Plane *planes)
{
    for (int i = 0; i < 3; i++)
        if (hold_plane(held, from[i], &planes[i]) < 0)
            return -1;
    return 0;
}

/* Returns where `count` int64 that are only read are, else NULL. */
static const int64_t *hold_places(Held *held, PyObject *from, Py_ssize_t count)
{
    const int64_t *places = hold_items(held, from, count, "lq", 0);
    if (places == NULL || held->views[held->held - 1].itemsize == sizeof(int64_t))
        return places;
    PyErr_SetString(PyExc_ValueError, "places want arrays of int64");
    return NULL;
}

/* ------------------------------------------------------------------ a patch */

typedef struct {
    int64_t total;
    int least, most;
    int tile_least, tile_most, tile_total;
} Look;

/* Adds up each column of some lines, and finds their least and most. */
#define LINES(type)                                                                     \
    CLONES static void lines_of_##type(const Plane *p, Py_ssize_t y, Py_ssize_t last,   \
                                       uint32_t *sums, Look *look)                      \
    {                                                                                   \
        Py_ssize_t n = p->width;                                                        \
        type low = (type)look->least, high = (type)look->most;                          \
        memset(sums, 0, (size_t)n * sizeof(uint32_t));                                  \
        for (; y < last; y++) {                                                         \
            const type *a = (const type *)line(p, y);                                   \
            if (y + AHEAD < p->height)                                                  \
                ask_for(line(p, y + AHEAD), n * (Py_ssize_t)sizeof(type));              \
            for (Py_ssize_t x = 0; x < n; x++)                                          \
                sums[x] += a[x];                                                        \
            for (Py_ssize_t x = 0; x < n; x++) {                                        \
                low = a[x] < low ? a[x] : low;                                          \
                high = a[x] > high ? a[x] : high;                                       \
            }                                                                           \
        }                                                                               \
        look->least = low;                                                              \
        look->most = high;                                                              \
        for (Py_ssize_t x = 0; x < n; x++)                                              \
            look->total += sums[x];                                                     \
    }

LINES(uint8_t)
LINES(uint16_t)

static void lines_of(const Plane *p, Py_ssize_t y, Py_ssize_t last, uint32_t *sums,
                     Look *look)
{
    if (p->wide)
        lines_of_uint16_t(p, y, last, sums, look);
    else
        lines_of_uint8_t(p, y, last, sums, look);
}

/* Means in whole codes, rounded as OpenCV's INTER_AREA does. */
static int mean_code(int64_t sum, Py_ssize_t down, Py_ssize_t across)
{
    if (down == 2 && across == 2)
        return (int)((sum + 2) / 4);
    return (int)rintf((float)sum * (1.0f / (float)(down * across)));
}

/* Tiles are of whole pixels: what is left over at the right and below is in none. */
static int look_at(const Plane *p, Look *look)
{
    Py_ssize_t down = p->height / TILES, across = p->width / TILES;
    uint32_t *sums = malloc((size_t)p->width * sizeof(uint32_t));
    if (sums == NULL)
        return -1;
    *look = (Look){.least = p->wide ? 65535 : 255, .tile_least = PAIRS};
    for (Py_ssize_t y = 0; y < AHEAD && y < p->height; y++)
        ask_for(line(p, y), p->width << p->wide);
    for (int i = 0; i < TILES; i++) {
        lines_of(p, i * down, (i + 1) * down, sums, look);
        const uint32_t *of = sums;
        for (int j = 0; j < TILES; j++, of += across) {
            int64_t sum = 0;
            for (Py_ssize_t x = 0; x < across; x++)
                sum += of[x];
            int mean = mean_code(sum, down, across);
            look->tile_least = mean < look->tile_least ? mean : look->tile_least;
            look->tile_most = mean > look->tile_most ? mean : look->tile_most;
            look->tile_total += mean;
        }
    }
    lines_of(p, TILES * down, p->height, sums, look);
    free(sums);
    return 0;
}

PyObject *patch_looks(PyObject *self, PyObject *given)
{
    (void)self;
    PyObject *from[3];
    Plane planes[3];
    Look l[3];
    if (!PyArg_ParseTuple(given, "OOO", &from[0], &from[1], &from[2]))
        return NULL;
    Held held = {.held = 0};
    if (hold_planes(&held, from, planes) < 0)
        return refuse(&held, NULL);
    for (int i = 0; i < 3; i++) {
        if (planes[i].height < TILES || planes[i].width < TILES ||
            planes[i].height > PAIRS)
            return refuse(&held, "such a patch is not looked at");
        if (look_at(&planes[i], &l[i]) < 0) {
            let_go(&held);
            return PyErr_NoMemory();
        }
    }
    let_go(&held);
#define SIX(k)                                                                         \
    (long long)l[k].total, l[k].least, l[k].most, l[k].tile_least, l[k].tile_most,      \
        l[k].tile_total
    return Py_BuildValue("((Liiiii)(Liiiii)(Liiiii))", SIX(0), SIX(1), SIX(2));
}

/* ------------------------------------------------------------------ a grid */

typedef struct {
    float black, range, zero, span;   /* codes */
    float red, blue;                  /* how much of Cr is in R', of Cb in B' */
    float from_red, from_blue, green; /* weights of luma */
} Coding;

/* One line of codes becomes R', G', B' and luma, shares of black to white. */
CLONES static void colours_of(const float *y, const float *cb, const float *cr,
                              Py_ssize_t n, const Coding *how, float *restrict red,
                              float *restrict green, float *restrict blue,
                              float *restrict luma)
{
    Coding c = *how;
    for (Py_ssize_t x = 0; x < n; x++) {
        float l = (y[x] - c.black) / c.range;
        float pb = (cb[x] - c.zero) / c.span, pr = (cr[x] - c.zero) / c.span;
        float r = l + c.red * pr, b = l + c.blue * pb;
        red[x] = r;
        blue[x] = b;
        green[x] = ((l - c.from_red * r) - c.from_blue * b) / c.green;
        luma[x] = l;
    }
}

/* The codes of a line at places that are `step` pixels of luma apart. */
#define PICK(type)                                                                      \
    static void pick_##type(const type *row, Py_ssize_t own, Py_ssize_t width,          \
                            Py_ssize_t x, Py_ssize_t step, Py_ssize_t n, float *out)    \
    {                                                                                   \
        if (own == width)                                                               \
            for (Py_ssize_t i = 0; i < n; i++, x += step)                               \
                out[i] = row[x];                                                        \
        else if (2 * own == width)                                                      \
            for (Py_ssize_t i = 0; i < n; i++, x += step)                               \
                out[i] = row[x / 2];                                                    \
        else                                                                            \
            for (Py_ssize_t i = 0; i < n; i++, x += step)                               \
                out[i] = row[x * own / width];                                          \
    }

PICK(uint8_t)
PICK(uint16_t)

PyObject *grid_colours(PyObject *self, PyObject *given)
{
    (void)self;
    PyObject *from[3], *into[2];
    Py_ssize_t first, left, step;
    Plane p[3];
    Coding c;
    float line_of[3][MOST_ACROSS];
    if (!PyArg_ParseTuple(given, "OOO(nnn)(fffffffff)OO", &from[0], &from[1], &from[2],
                          &first, &left, &step, &c.black, &c.range, &c.zero, &c.span,
                          &c.red, &c.blue, &c.from_red, &c.from_blue, &c.green, &into[0],
                          &into[1]))
        return NULL;
    Held held = {.held = 0};
    if (hold_planes(&held, from, p) < 0)
        return refuse(&held, NULL);
    Py_ssize_t height = p[0].height, width = p[0].width;
    if (step < 1 || first < 0 || left < 0 || first >= height || left >= width ||
        p[1].height < 1 || p[1].width < 1 || p[2].height < 1 || p[2].width < 1)
        return refuse(&held, "there are no such pixels");
    Py_ssize_t rows = (height - first + step - 1) / step;
    Py_ssize_t n = (width - left + step - 1) / step, count = rows * n;
    float *rgb, *luma;
    if (n > MOST_ACROSS)
        return refuse(&held, "so many pixels are not picked");
    if ((rgb = hold_floats(&held, into[0], 3 * count, 1)) == NULL ||
        (luma = hold_floats(&held, into[1], count, 1)) == NULL)
        return refuse(&held, NULL);
    for (Py_ssize_t y = first; y < height; y += step, rgb += n, luma += n) {
        for (int i = 0; i < 3; i++) {
            const char *row = line(&p[i], y * p[i].height / height);
            if (y + step < height)
                ask_for(line(&p[i], (y + step) * p[i].height / height),
                        p[i].width << p[i].wide);
            if (p[i].wide)
                pick_uint16_t((const uint16_t *)row, p[i].width, width, left, step, n,
                              line_of[i]);
            else
                pick_uint8_t((const uint8_t *)row, p[i].width, width, left, step, n,
                             line_of[i]);
        }
        colours_of(line_of[0], line_of[1], line_of[2], n, &c, rgb, rgb + count,
                   rgb + 2 * count, luma);
    }
    return done(&held);
}

/* ------------------------------------------------------------------ tint */

RANKED(ranked, float)

static double median_of(float *v, Py_ssize_t n)
{
    float high = ranked(v, n, n / 2);
    if (n % 2)
        return high;
    float low = v[0];
    for (Py_ssize_t i = 1; i < n / 2; i++)
        low = v[i] > low ? v[i] : low;
    return (low + high) / 2.0f;
}

/* Medians of R/G and B/G, stops, of bands of pixels; NaN where too few can be told. */
PyObject *band_tints(PyObject *self, PyObject *given)
{
    (void)self;
    PyObject *from[5];
    Py_ssize_t count, n, every, bands, steps;
    float low, top, scale;
    double few, share;
    float red[MOST_BAND], blue[MOST_BAND];
    if (!PyArg_ParseTuple(given, "nOnnOnOnOfffddO", &count, &from[0], &every, &n,
                          &from[1], &bands, &from[2], &steps, &from[3], &scale, &low,
                          &top, &few, &share, &from[4]))
        return NULL;
    Held held = {.held = 0};
    if (count < 1 || every < 1 || n < 0 || n > (count + every - 1) / every ||
        bands < 1 || steps < 1 || !(low >= 0.0f && top * scale < (float)(steps - 1)))
        return refuse(&held, "such bands are not looked at");
    const float *rgb = hold_floats(&held, from[0], 3 * count, 0), *table;
    const int64_t *order, *edges;
    double *out;
    if (rgb == NULL || (order = hold_places(&held, from[1], n)) == NULL ||
        (edges = hold_places(&held, from[2], bands + 1)) == NULL ||
        (table = hold_floats(&held, from[3], steps, 0)) == NULL ||
        (out = hold_doubles(&held, from[4], 2 * bands, 1)) == NULL)
        return refuse(&held, NULL);
    for (Py_ssize_t i = 0; i < n; i++)
        if (order[i] < 0 || order[i] >= n)
            return refuse(&held, "there is no such pixel");
    for (Py_ssize_t band = 0; band < bands; band++) {
        int64_t begin = edges[band], end = edges[band + 1];
        if (begin < 0 || end < begin || end > n || end - begin > MOST_BAND)
            return refuse(&held, "there is no such band");
        Py_ssize_t known = 0;
        for (int64_t i = begin; i < end; i++) {
            const float *at = rgb + order[i] * every;
            float r = at[0], g = at[count], b = at[2 * count];
            float least = r < g ? r : g, most = r > g ? r : g;
            least = b < least ? b : least;
            most = b > most ? b : most;
            if (!(least >= low && most <= top))
                continue;
            float green = table[(int32_t)(g * scale + 0.5f)];
            red[known] = table[(int32_t)(r * scale + 0.5f)] - green;
            blue[known++] = table[(int32_t)(b * scale + 0.5f)] - green;
        }
        double least = share * (double)(end - begin);
        int told = known >= (few > least ? few : least) && known > 0;
        out[2 * band] = told ? median_of(red, known) : NAN;
        out[2 * band + 1] = told ? median_of(blue, known) : NAN;
    }
    return done(&held);
}

/* ------------------------------------------------------------------ closing */

typedef struct {
    const float *log, *inverse; /* log light of signals, and back */
    float last, inverse_last;
    float steps, share, inverse_from, inverse_steps, level, cut, red, green, blue;
} Tables;

static inline float value_of(const Tables *t, float light)
{
    float place = (light - t->inverse_from) * t->inverse_steps + 0.5f;
    place = place > 0.0f ? place : 0.0f;
    return t->inverse[(int32_t)(place < t->inverse_last ? place : t->inverse_last)];
}

/* How far the luma of R', G', B' lies over the level, in stops. */
static inline float luma_stops(const Tables *t, const float *v)
{
    float place = rintf((t->red * v[0] + t->green * v[1] + t->blue * v[2]) * t->steps);
    place = place > 0.0f ? place : 0.0f;
    return t->log[(int32_t)(place < t->last ? place : t->last)] - t->level;
}

/* Closed by as much as luma is over the level, the brightest channel may still be cut
 * off: luma is darker then. Fills out with both steps together. */
PyObject *closed_stops(PyObject *self, PyObject *given)
{
    (void)self;
    PyObject *from[7];
    Py_ssize_t n, m, steps, inverse_steps;
    Tables t;
    if (!PyArg_ParseTuple(given, "nOOnOOnOnO(fffffffff)O", &n, &from[0], &from[1], &m,
                          &from[2], &from[3], &steps, &from[4], &inverse_steps, &from[5],
                          &t.steps, &t.share, &t.inverse_from, &t.inverse_steps,
                          &t.level, &t.cut, &t.red, &t.green, &t.blue, &from[6]))
        return NULL;
    Held held = {.held = 0};
    if (n < 0 || m < 0 || steps < 1 || inverse_steps < 1)
        return refuse(&held, "there are no such pixels");
    const int64_t *place, *some;
    const float *light, *rebuilt;
    float *out;
    if ((place = hold_places(&held, from[0], 3 * n)) == NULL ||
        (light = hold_floats(&held, from[1], 3 * n, 0)) == NULL ||
        (some = hold_places(&held, from[2], m)) == NULL ||
        (rebuilt = hold_floats(&held, from[3], 3 * m, 0)) == NULL ||
        (t.log = hold_floats(&held, from[4], steps, 0)) == NULL ||
        (t.inverse = hold_floats(&held, from[5], inverse_steps, 0)) == NULL ||
        (out = hold_floats(&held, from[6], n, 1)) == NULL)
        return refuse(&held, NULL);
    t.last = (float)(steps - 1);
    t.inverse_last = (float)(inverse_steps - 1);
    for (Py_ssize_t i = 0, j = 0; i < n; i++) {
        float l[3], v[3];
        int again = j < m && some[j] == i; /* they ascend */
        for (int c = 0; c < 3; c++) {
            l[c] = again ? rebuilt[c * m + j] : light[c * n + i];
            v[c] = again ? value_of(&t, l[c]) : (float)place[c * n + i] * t.share;
        }
        j += again;
        float over = luma_stops(&t, v);
        over = over > 0.0f ? over : 0.0f;
        for (int c = 0; c < 3; c++) {
            float closed = l[c] - over;
            v[c] = value_of(&t, closed < t.cut ? closed : t.cut);
        }
        out[i] = over + luma_stops(&t, v);
    }
    return done(&held);
}

/* ------------------------------------------------------------------ burnt samples */

/* Fills highest with the largest of three channels, and adds to piled what of it lies
 * from 0.9 up, in bins of a hundredth. */
CLONES static void largest_of(const float *rgb, Py_ssize_t n, float *restrict highest)
{
    const float *r = rgb, *g = r + n, *b = g + n;
    for (Py_ssize_t i = 0; i < n; i++) {
        float most = r[i] > g[i] ? r[i] : g[i];
        highest[i] = most > b[i] ? most : b[i];
    }
}

PyObject *pile_up(PyObject *self, PyObject *given)
{
    (void)self;
    PyObject *from, *into[2];
    Py_ssize_t n, bins;
    if (!PyArg_ParseTuple(given, "nOnOO", &n, &from, &bins, &into[0], &into[1]))
        return NULL;
    Held held = {.held = 0};
    if (n < 0 || bins < 1)
        return refuse(&held, "there are no such pixels");
    const float *rgb = hold_floats(&held, from, 3 * n, 0);
    int64_t *piled = rgb == NULL ? NULL : hold_numbers(&held, into[0], bins);
    float *highest = piled == NULL ? NULL : hold_floats(&held, into[1], n, 1);
    if (highest == NULL)
        return refuse(&held, NULL);
    largest_of(rgb, n, highest);
    for (Py_ssize_t i = 0; i < n; i++) {
        if (!(highest[i] > 0.89f))
            continue;
        float place = floorf((highest[i] - 0.9f) * 100.0f + 0.5f);
        if (place >= 0.0f && place < (float)bins)
            piled[(int32_t)place]++;
    }
    return done(&held);
}

typedef struct {
    float burns, ends; /* levels from which luma, or any channel, burns */
    float first;       /* place in the table from which a pixel is near */
    float level, warm; /* log light at which luma burns; stops */
    double enough;     /* pixels that must burn, and one more */
} NearHow;

static inline int64_t place_in(float value, float steps, float last)
{
    float place = rintf(value * steps);
    place = place > 0.0f ? place : 0.0f;
    return (int64_t)(place < last ? place : last);
}

typedef struct {
    int64_t *place;
    float *light, *over;
    uint8_t *warm;
} Near;

/* Fills out with the pixels that are near what burns; -1 if too few burn. */
CLONES static Py_ssize_t find_near(Py_ssize_t n, const float *rgb, const float *luma,
                                   const float *highest, const float *log, float last,
                                   float steps, const NearHow *how, const Near *out)
{
    Py_ssize_t at = 0;
    int32_t m = 0, burnt = 0;
    for (Py_ssize_t i = 0; i < n; i++) {
        burnt += (luma[i] >= how->burns) | (highest[i] >= how->ends);
        m += rintf(highest[i] * steps) >= how->first;
    }
    if (!((double)burnt > how->enough))
        return -1;
    for (Py_ssize_t i = 0; i < n; i++) {
        if (!(rintf(highest[i] * steps) >= how->first))
            continue;
        float l[3];
        for (int c = 0; c < 3; c++) {
            int64_t own = place_in(rgb[c * n + i], steps, last);
            out->place[c * m + at] = own;
            out->light[c * m + at] = l[c] = log[own];
        }
        out->over[at] = log[place_in(luma[i], steps, last)] - how->level;
        out->warm[at++] = l[0] >= (l[1] > l[2] ? l[1] : l[2]) - how->warm;
    }
    return m;
}

PyObject *near_burnt(PyObject *self, PyObject *given)
{
    (void)self;
    PyObject *from[4], *into[4];
    Py_ssize_t n, many;
    float steps;
    NearHow how;
    if (!PyArg_ParseTuple(given, "nOOOnOf(fffffd)OOOO", &n, &from[0], &from[1], &from[2],
                          &many, &from[3], &steps, &how.burns, &how.ends, &how.first,
                          &how.level, &how.warm, &how.enough, &into[0], &into[1],
                          &into[2], &into[3]))
        return NULL;
    Held held = {.held = 0};
    if (n < 0 || n > INT32_MAX || many < 1)
        return refuse(&held, "there are no such pixels");
    const float *rgb, *luma, *highest, *log;
    Near out;
    if ((rgb = hold_floats(&held, from[0], 3 * n, 0)) == NULL ||
        (luma = hold_floats(&held, from[1], n, 0)) == NULL ||
        (highest = hold_floats(&held, from[2], n, 0)) == NULL ||
        (log = hold_floats(&held, from[3], many, 0)) == NULL ||
        (out.place = hold_numbers(&held, into[0], 3 * n)) == NULL ||
        (out.light = hold_floats(&held, into[1], 3 * n, 1)) == NULL ||
        (out.over = hold_floats(&held, into[2], n, 1)) == NULL ||
        (out.warm = hold_bytes(&held, into[3], n, 1)) == NULL)
        return refuse(&held, NULL);
    Py_ssize_t m = find_near(n, rgb, luma, highest, log, (float)(many - 1), steps, &how,
                             &out);
    let_go(&held);
    return PyLong_FromSsize_t(m);
}
