/* What a picture looks like from afar, and where it fits another.
 *
 * Sums are counted in float64, down each column and then across, one after another as
 * written, so that the Python beside this file gives the same to the last bit.
 */
#include "planes.h"
#include "exact.h"

#define MOST_WIDE 256 /* cells of a line */
#define MOST_HIGH 256

static double across(const double *columns, Py_ssize_t n)
{
    double sum = columns[0];
    for (Py_ssize_t x = 1; x < n; x++)
        sum += columns[x];
    return sum;
}

CLONES static double sum_of(const float *in, Py_ssize_t h, Py_ssize_t w)
{
    double columns[MOST_WIDE] = {0.0};
    for (Py_ssize_t y = 0; y < h; y++, in += w)
        for (Py_ssize_t x = 0; x < w; x++)
            columns[x] += (double)in[x];
    return across(columns, w);
}

CLONES static double squares_of(const float *in, Py_ssize_t h, Py_ssize_t w)
{
    double columns[MOST_WIDE] = {0.0};
    for (Py_ssize_t y = 0; y < h; y++, in += w)
        for (Py_ssize_t x = 0; x < w; x++)
            columns[x] += (double)in[x] * (double)in[x];
    return across(columns, w);
}

/* Makes a picture one of zero mean and unit length, if it is longer than `least`. */
CLONES static int normalise(float *v, Py_ssize_t h, Py_ssize_t w, double least)
{
    Py_ssize_t n = h * w;
    float mean = (float)(sum_of(v, h, w) / (double)n);
    for (Py_ssize_t i = 0; i < n; i++)
        v[i] -= mean;
    double length = sqrt(squares_of(v, h, w));
    if (!(length > least))
        return 0;
    float share = (float)(1.0 / length);
    for (Py_ssize_t i = 0; i < n; i++)
        v[i] *= share;
    return 1;
}

/* fine (h, w), coarse (h / 2, w / 2), middle (h - 2 my, w - 2 mx). */
typedef struct {
    Py_ssize_t h, w, my, mx;
    double factor, flat, least;
    float *fine, *coarse, *middle;
} Look;

/* Returns 0 for a flat picture, 1 if its middle is, else 2. */
static int look_at(const int64_t *sums, const Look *l)
{
    Py_ssize_t h = l->h, w = l->w, high = h / 2, wide = w / 2;
    for (Py_ssize_t i = 0; i < h * w; i++)
        l->fine[i] = (float)((double)sums[i] * l->factor);
    for (Py_ssize_t y = 0; y < high; y++)
        for (Py_ssize_t x = 0; x < wide; x++) {
            const float *a = l->fine + 2 * y * w + 2 * x, *b = a + w;
            l->coarse[y * wide + x] = ((a[0] + a[1]) + (b[0] + b[1])) * 0.25f;
        }
    if (!normalise(l->coarse, high, wide, l->flat * sqrt((double)(high * wide))) ||
        !normalise(l->fine, h, w, l->flat * sqrt((double)(h * w))))
        return 0;
    Py_ssize_t rows = h - 2 * l->my, columns = w - 2 * l->mx;
    for (Py_ssize_t y = 0; y < rows; y++)
        memcpy(l->middle + y * columns, l->fine + (y + l->my) * w + l->mx,
               (size_t)columns * sizeof(float));
    return normalise(l->middle, rows, columns, l->least) ? 2 : 1;
}

PyObject *shot_look(PyObject *self, PyObject *given)
{
    (void)self;
    PyObject *codes, *fine, *coarse, *middle;
    Look l;
    if (!PyArg_ParseTuple(given, "O(nn)(nn)dddOOO", &codes, &l.h, &l.w, &l.my, &l.mx,
                          &l.factor, &l.flat, &l.least, &fine, &coarse, &middle))
        return NULL;
    Held held = {.held = 0};
    Plane p;
    if (hold_plane(&held, codes, &p) < 0)
        return refuse(&held, NULL);
    if (l.h < 2 || l.w < 2 || l.h % 2 || l.w % 2 || l.h > MOST_HIGH ||
        l.w > MOST_WIDE || l.h > p.height || l.w > p.width || p.height > 32768 ||
        p.width > 32768 || l.my < 0 || l.mx < 0 || 2 * l.my >= l.h || 2 * l.mx >= l.w)
        return refuse(&held, "a look must be smaller than its picture");
    Py_ssize_t rows = l.h - 2 * l.my, columns = l.w - 2 * l.mx;
    if ((l.fine = hold_floats(&held, fine, l.h * l.w, 1)) == NULL ||
        (l.coarse = hold_floats(&held, coarse, l.h / 2 * (l.w / 2), 1)) == NULL ||
        (l.middle = hold_floats(&held, middle, rows * columns, 1)) == NULL)
        return refuse(&held, NULL);
    int32_t *room = malloc((size_t)(4 * l.w + 2 * p.width) * sizeof(int32_t));
    int64_t *sums = malloc((size_t)(l.h * l.w) * sizeof(int64_t));
    int ready = room != NULL && sums != NULL, found = 0;
    if (ready) {
        read_area(&p, l.h, l.w, sums, room);
        found = look_at(sums, &l);
    }
    free(room);
    free(sums);
    let_go(&held);
    return ready ? PyLong_FromLong(found) : PyErr_NoMemory();
}

/* Correlations of a middle, (rows, columns), with what is before it, from a cell up and
 * left to a cell down and right. Returns whether it has contrast everywhere. */
CLONES static int near_scores(const float *before, Py_ssize_t w, const float *middle,
                              Py_ssize_t rows, Py_ssize_t columns, double *scores)
{
    double sums[MOST_WIDE], squares[MOST_WIDE], products[3][MOST_WIDE];
    double size = (double)(rows * columns);
    for (Py_ssize_t dy = 0; dy < 3; dy++) {
        memset(sums, 0, sizeof sums);
        memset(squares, 0, sizeof squares);
        memset(products, 0, sizeof products);
        for (Py_ssize_t y = 0; y < rows; y++) {
            const float *a = before + (dy + y) * w, *m = middle + y * columns;
            for (Py_ssize_t x = 0; x < columns + 2; x++) {
                sums[x] += (double)a[x];
                squares[x] += (double)a[x] * (double)a[x];
            }
            for (Py_ssize_t x = 0; x < columns; x++) {
                products[0][x] += (double)a[x] * (double)m[x];
                products[1][x] += (double)a[x + 1] * (double)m[x];
                products[2][x] += (double)a[x + 2] * (double)m[x];
            }
        }
        for (Py_ssize_t dx = 0; dx < 3; dx++) {
            double mean = across(sums + dx, columns) / size;
            double spread = across(squares + dx, columns) - size * mean * mean;
            if (!(spread > 0.0))
                return 0;
            scores[3 * dy + dx] = across(products[dx], columns) / sqrt(spread);
        }
    }
    return 1;
}

PyObject *shot_near(PyObject *self, PyObject *given)
{
    (void)self;
    PyObject *before_from, *middle_from, *out_from;
    Py_ssize_t h, w, my, mx;
    if (!PyArg_ParseTuple(given, "OO(nn)(nn)O", &before_from, &middle_from, &h, &w, &my,
                          &mx, &out_from))
        return NULL;
    Held held = {.held = 0};
    if (h < 3 || w < 3 || h > MOST_HIGH || w > MOST_WIDE || my < 1 || mx < 1 ||
        2 * my >= h || 2 * mx >= w)
        return refuse(&held, "a middle must lie inside its picture");
    const float *before = hold_floats(&held, before_from, h * w, 0), *middle = NULL;
    double *out = NULL;
    if (before == NULL ||
        (middle = hold_floats(&held, middle_from, (h - 2 * my) * (w - 2 * mx), 0)) ==
            NULL ||
        (out = hold_doubles(&held, out_from, 9, 1)) == NULL)
        return refuse(&held, NULL);
    int found = near_scores(before + (my - 1) * w + mx - 1, w, middle, h - 2 * my,
                            w - 2 * mx, out);
    let_go(&held);
    return PyBool_FromLong(found);
}
