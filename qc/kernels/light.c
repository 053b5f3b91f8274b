/* How light changes from picture to picture: passes over small pictures.
 *
 * These count in float32 where the measures do, one operation after another as written,
 * so that the Python beside this file gives the same to the last bit.
 */
#include "planes.h"
#include "exact.h"

#define MOST_WIDE 1024  /* places of a row */
#define MOST_CELLS 4096 /* cells of a picture */
#define MOST_ACROSS 64  /* cells of a strip */

/* ------------------------------------------------------------------ cells */

static inline void add_across(const float *sums, int columns, int across, float share,
                              float *restrict out)
{
    for (int c = 0; c < columns; c++) {
        float sum = sums[c * across];
        for (int i = 1; i < across; i++)
            sum += sums[c * across + i];
        out[c] = sum * share;
    }
}

/* Means of `down` by `across` places each, lines first. */
CLONES static void add_cells(const float *in, int rows, int columns, int down,
                             int across, float *out)
{
    float sums[MOST_WIDE];
    int width = columns * across;
    float share = (float)(1.0 / ((double)across * down));
    for (int r = 0; r < rows; r++, out += columns) {
        memcpy(sums, in, sizeof(float) * width);
        in += width;
        for (int i = 1; i < down; i++, in += width)
            for (int x = 0; x < width; x++)
                sums[x] += in[x];
        if (across == 5) /* as in most pictures: a loop of known length is faster */
            add_across(sums, columns, 5, share, out);
        else
            add_across(sums, columns, across, share, out);
    }
}

PyObject *light_cells(PyObject *self, PyObject *given)
{
    (void)self;
    PyObject *luma, *out;
    int rows, columns, down, across;
    if (!PyArg_ParseTuple(given, "OiiiiO", &luma, &rows, &columns, &down, &across, &out))
        return NULL;
    Held held = {.held = 0};
    if (rows < 1 || columns < 1 || down < 1 || across < 1 || down > MOST_WIDE ||
        rows > MOST_CELLS || across > MOST_WIDE || columns > MOST_WIDE ||
        columns * across > MOST_WIDE)
        return refuse(&held, "so many cells are not made");
    const float *in = hold_floats(&held, luma, (Py_ssize_t)rows * down * columns * across, 0);
    float *to = in ? hold_floats(&held, out, (Py_ssize_t)rows * columns, 1) : NULL;
    if (to == NULL)
        return refuse(&held, NULL);
    add_cells(in, rows, columns, down, across, to);
    return done(&held);
}

/* The place of the table that is nearest, for each cell; the first or last beyond it. */
CLONES static void find_cells(const float *cells, Py_ssize_t n, float scale, float last,
                              int32_t *at)
{
    for (Py_ssize_t i = 0; i < n; i++) {
        float place = cells[i] * scale;
        place += 0.5f;
        place = place > 0.0f ? place : 0.0f;
        at[i] = (int32_t)(place < last ? place : last);
    }
}

PyObject *light_table(PyObject *self, PyObject *given)
{
    (void)self;
    PyObject *from[3];
    Py_ssize_t n, steps;
    float scale;
    int32_t at[MOST_CELLS];
    if (!PyArg_ParseTuple(given, "nOOnfO", &n, &from[0], &from[1], &steps, &scale,
                          &from[2]))
        return NULL;
    Held held = {.held = 0};
    const float *cells, *table;
    float *out;
    if (n < 1 || n > MOST_CELLS || steps < 1 || steps > PAIRS)
        return refuse(&held, "so many cells are not looked up");
    if ((cells = hold_floats(&held, from[0], n, 0)) == NULL ||
        (table = hold_floats(&held, from[1], steps, 0)) == NULL ||
        (out = hold_floats(&held, from[2], n, 1)) == NULL)
        return refuse(&held, NULL);
    find_cells(cells, n, scale, (float)(steps - 1), at);
    for (Py_ssize_t i = 0; i < n; i++)
        out[i] = table[at[i]];
    return done(&held);
}

/* ------------------------------------------------------------------ the whole's level */

RANKED(ranked, float)

static float median_of(float *v, int n)
{
    float high = ranked(v, n, n / 2);
    if (n % 2)
        return high;
    float low = v[0];
    for (int i = 1; i < n / 2; i++)
        low = v[i] > low ? v[i] : low;
    return (low + high) / 2.0f;
}

typedef struct {
    double least_cells, tolerance, share, agree, least_part, parts_agree, limit;
} Alike;

/* Whether parts of the picture, three by two, changed alike. */
static int parts_agree(const float *change, int rows, int columns, double level,
                       double allowed, const Alike *how)
{
    float kept[MOST_CELLS];
    int agree = 0, parts = 0;
    for (int i = 0; i < 2; i++)
        for (int j = 0; j < 3; j++) {
            int top = rows * i / 2, bottom = rows * (i + 1) / 2, n = 0;
            int left = columns * j / 3, right = columns * (j + 1) / 3;
            for (int y = top; y < bottom; y++)
                for (int x = left; x < right; x++)
                    if (isfinite(change[y * columns + x]))
                        kept[n++] = change[y * columns + x];
            if (n && n >= how->least_part * ((bottom - top) * (right - left))) {
                parts++;
                agree += fabs((double)median_of(kept, n) - level) <= allowed;
            }
        }
    return agree >= how->parts_agree * parts;
}

/* Returns whether there is a common change; `level` and `entered` tell it. */
static int common_level(const float *anchor, const float *cells, int rows, int columns,
                        const Alike *how, double *level, int *entered)
{
    float change[MOST_CELLS], kept[MOST_CELLS];
    int n = rows * columns, known = 0, near = 0;
    for (int i = 0; i < n; i++) {
        change[i] = cells[i] - anchor[i];
        kept[known] = change[i];
        known += isfinite(change[i]) != 0;
    }
    if (!known || known < how->least_cells * n)
        return 0;
    float middle = median_of(kept, known);
    double allowed = how->tolerance + how->share * fabs((double)middle), sum = 0.0;
    float reach = (float)allowed;
    for (int i = 0; i < n; i++) {
        int alike = fabsf(change[i] - middle) <= reach; /* no NaN is, nor infinity */
        sum += alike ? change[i] : 0.0f;
        near += alike;
    }
    if (near < how->agree * known)
        return 0;
    if (fabs((double)middle) > how->tolerance &&
        !parts_agree(change, rows, columns, middle, allowed, how))
        return 0;
    *level = sum / near;
    *entered = 0;
    float over = (float)(*level + 4 * allowed), add = (float)(4 * allowed);
    float step = (float)*level, limit = (float)how->limit;
    for (int i = 0; i < n; i++) {
        float before = anchor[i] + step;
        *entered += isfinite(change[i]) ? change[i] > over
                                        : isinf(cells[i]) && before + add < limit;
    }
    return 1;
}

PyObject *light_level(PyObject *self, PyObject *given)
{
    (void)self;
    PyObject *before, *now;
    int rows, columns, entered = 0;
    double level = 0.0;
    Alike a;
    if (!PyArg_ParseTuple(given, "OOii(ddddddd)", &before, &now, &rows, &columns,
                          &a.least_cells, &a.tolerance, &a.share, &a.agree,
                          &a.least_part, &a.parts_agree, &a.limit))
        return NULL;
    Held held = {.held = 0};
    if (rows < 1 || columns < 1 || rows > MOST_CELLS || columns > MOST_CELLS ||
        rows * columns > MOST_CELLS)
        return refuse(&held, "so many cells are not compared");
    const float *anchor = hold_floats(&held, before, (Py_ssize_t)rows * columns, 0);
    const float *cells =
        anchor ? hold_floats(&held, now, (Py_ssize_t)rows * columns, 0) : NULL;
    if (cells == NULL)
        return refuse(&held, NULL);
    int found = common_level(anchor, cells, rows, columns, &a, &level, &entered);
    let_go(&held);
    if (!found)
        Py_RETURN_NONE;
    return Py_BuildValue("di", level, entered);
}

PyObject *light_share(PyObject *self, PyObject *given)
{
    (void)self;
    PyObject *cells;
    int n, place;
    float kept[MOST_CELLS];
    if (!PyArg_ParseTuple(given, "Oii", &cells, &n, &place))
        return NULL;
    Held held = {.held = 0};
    if (n < 1 || n > MOST_CELLS || place < 0 || place >= n)
        return refuse(&held, "there is no such cell");
    const float *in = hold_floats(&held, cells, n, 0);
    if (in == NULL)
        return refuse(&held, NULL);
    memcpy(kept, in, sizeof(float) * n);
    let_go(&held);
    return PyFloat_FromDouble(ranked(kept, n, place));
}

/* ------------------------------------------------------------------ strips */

/* One look: stops of each cell, 1 where usable, and both summed over parts. */
static void strip_look(const float *cells, int strips, int across, int parts,
                       const float *table, const float *rises, float low, float high,
                       float scale, float *look)
{
    int n = strips * across, each = across / parts;
    float *stops = look, *usable = look + n, *sums = look + 2 * n;
    float *counts = sums + strips * parts;
    for (int i = 0; i < n; i++) {
        float place = cells[i] > low ? cells[i] : low;
        place = place < high ? place : high;
        usable[i] = place == cells[i];
        place *= scale;
        int whole = (int)place;
        float rest = (place - (float)whole) * rises[whole];
        stops[i] = table[whole] + rest;
    }
    for (int p = 0; p < strips * parts; p++) {
        float sum = stops[p * each], count = usable[p * each];
        for (int i = 1; i < each; i++) {
            sum += stops[p * each + i];
            count += usable[p * each + i];
        }
        sums[p] = sum;
        counts[p] = count;
    }
}

/* The mean of the middle half of a strip's changes; NaN if too few are known. */
static float middle_mean(const float *now, const float *before, int across, int n,
                         int fewest)
{
    float kept[MOST_ACROSS] = {0};
    int known = 0;
    for (int i = 0; i < across; i++) {
        if (now[n + i] == 0.0f || before[n + i] == 0.0f)
            continue;
        float change = now[i] - before[i];
        int j = known++;
        for (; j > 0 && kept[j - 1] > change; j--)
            kept[j] = kept[j - 1];
        kept[j] = change;
    }
    if (known < fewest)
        return NAN;
    int cut = known / 4;
    float sum = kept[cut];
    for (int i = cut + 1; i < known - cut; i++)
        sum += kept[i];
    return sum / (float)(known - 2 * cut);
}

PyObject *light_strips(PyObject *self, PyObject *given)
{
    (void)self;
    PyObject *from[6];
    int strips, across, parts, fewest;
    Py_ssize_t steps;
    float low, high, scale, least;
    if (!PyArg_ParseTuple(given, "OiiinOOfffifOOO", &from[0], &strips, &across, &parts,
                          &steps, &from[1], &from[2], &low, &high, &scale, &fewest,
                          &least, &from[3], &from[4], &from[5]))
        return NULL;
    Held held = {.held = 0};
    if (strips < 1 || parts < 1 || across < parts || across > MOST_ACROSS ||
        across % parts || strips > MOST_CELLS / MOST_ACROSS || fewest < 1 ||
        !(low >= 0.0f && high >= low && high * scale < (float)steps))
        return refuse(&held, "so many strips are not looked at");
    Py_ssize_t n = strips * across, m = strips * parts;
    const float *cells = hold_floats(&held, from[0], n, 0), *table, *rises, *before = NULL;
    float *look, *out = NULL;
    if (cells == NULL || (table = hold_floats(&held, from[1], steps, 0)) == NULL ||
        (rises = hold_floats(&held, from[2], steps, 0)) == NULL ||
        (look = hold_floats(&held, from[3], 2 * (n + m), 1)) == NULL)
        return refuse(&held, NULL);
    if (from[4] != Py_None &&
        ((before = hold_floats(&held, from[4], 2 * (n + m), 0)) == NULL ||
         (out = hold_floats(&held, from[5], strips + m, 1)) == NULL))
        return refuse(&held, NULL);
    strip_look(cells, strips, across, parts, table, rises, low, high, scale, look);
    if (before == NULL)
        return done(&held);
    for (int s = 0; s < strips; s++)
        out[s] = middle_mean(look + s * across, before + s * across, across, (int)n,
                             fewest);
    for (Py_ssize_t p = 0; p < m; p++) {
        float count = (look[2 * n + m + p] + before[2 * n + m + p]) * 0.5f;
        float change = look[2 * n + p] - before[2 * n + p];
        out[strips + p] = count < least ? NAN : change / count;
    }
    return done(&held);
}

/* ------------------------------------------------------------------ lines */

#define COMPARE(type)                                                                   \
    CLONES static void compare_##type(const char *now, const char *before,              \
                                      Py_ssize_t n, int64_t *changed, int64_t *total)   \
    {                                                                                   \
        const type *a = (const type *)now, *b = (const type *)before;                   \
        for (Py_ssize_t first = 0; first < n; first += 16384) {                         \
            Py_ssize_t last = first + 16384 < n ? first + 16384 : n;                    \
            uint32_t differ = 0, apart = 0;                                             \
            for (Py_ssize_t x = first; x < last; x++) {                                 \
                apart += (uint32_t)abs((int)a[x] - (int)b[x]);                          \
                differ += a[x] != b[x];                                                 \
            }                                                                           \
            *changed += differ;                                                         \
            *total += apart;                                                            \
        }                                                                               \
    }

COMPARE(uint8_t)
COMPARE(uint16_t)

/* Compares every so manieth line with what was kept of it, and keeps it instead. */
PyObject *light_lines(PyObject *self, PyObject *given)
{
    (void)self;
    PyObject *plane, *lines;
    Py_ssize_t first, step;
    int known;
    Plane p;
    if (!PyArg_ParseTuple(given, "OnnOp", &plane, &first, &step, &lines, &known))
        return NULL;
    Held held = {.held = 0};
    if (hold_plane(&held, plane, &p) < 0)
        return refuse(&held, NULL);
    if (first < 0 || step < 1 || first >= p.height)
        return refuse(&held, "there are no such lines");
    Py_ssize_t count = (p.height - first + step - 1) / step;
    char *kept = hold_items(&held, lines, count * p.width, p.wide ? "H" : "B", 1);
    if (kept == NULL)
        return refuse(&held, NULL);
    int64_t changed = 0, total = 0;
    size_t wide = (size_t)p.width << p.wide;
    for (Py_ssize_t y = first; y < p.height; y += step, kept += wide) {
        if (known && p.wide)
            compare_uint16_t(line(&p, y), kept, p.width, &changed, &total);
        else if (known)
            compare_uint8_t(line(&p, y), kept, p.width, &changed, &total);
        memcpy(kept, line(&p, y), wide);
    }
    let_go(&held);
    return Py_BuildValue("LL", (long long)changed, (long long)total);
}

#define FARTHEST(type)                                                                  \
    CLONES static int farthest_##type(const char *one, const char *two, Py_ssize_t n)   \
    {                                                                                   \
        const type *a = (const type *)one, *b = (const type *)two;                      \
        type far = 0;                                                                   \
        for (Py_ssize_t x = 0; x < n; x++) {                                            \
            type apart = a[x] > b[x] ? (type)(a[x] - b[x]) : (type)(b[x] - a[x]);       \
            far = far > apart ? far : apart;                                            \
        }                                                                               \
        return far;                                                                     \
    }

FARTHEST(uint8_t)
FARTHEST(uint16_t)

/* By how much two planes differ where they differ most. */
PyObject *most_apart(PyObject *self, PyObject *given)
{
    (void)self;
    PyObject *from[2];
    Plane a, b;
    if (!PyArg_ParseTuple(given, "OO", &from[0], &from[1]))
        return NULL;
    Held held = {.held = 0};
    if (hold_plane(&held, from[0], &a) < 0 || hold_plane(&held, from[1], &b) < 0)
        return refuse(&held, NULL);
    if (!same_shape(&a, &b))
        return refuse(&held, "planes must be alike");
    int far = 0;
    for (Py_ssize_t y = 0; y < a.height; y++) {
        int here = a.wide ? farthest_uint16_t(line(&a, y), line(&b, y), a.width)
                          : farthest_uint8_t(line(&a, y), line(&b, y), a.width);
        far = here > far ? here : far;
    }
    let_go(&held);
    return PyLong_FromLong(far);
}
