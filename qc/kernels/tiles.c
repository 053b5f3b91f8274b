/* How bright tiles of a plane are and how much they differ in themselves. What is no
 * whole number is counted one operation after another as written, so that the Python
 * beside this gives the same to the last bit.
 */
#include "planes.h"
#include "exact.h"

#define MOST_TILES 256 /* each way */

/* ------------------------------------------------------------------ tiles */

/* Codes of a line, and their squares, so many times each. */
#define MOMENTS(NAME, CODE, SUM)                                                       \
    CLONES static void NAME(const CODE *row, Py_ssize_t n, SUM times, SUM *sums,       \
                            SUM *squares)                                              \
    {                                                                                  \
        for (Py_ssize_t x = 0; x < n; x++) {                                           \
            SUM code = row[x], some = times * code;                                    \
            sums[x] += some;                                                           \
            squares[x] += some * code;                                                 \
        }                                                                              \
    }
MOMENTS(moments_8, uint8_t, uint32_t)
MOMENTS(moments_10, uint16_t, uint32_t)
MOMENTS(moments_16, uint16_t, uint64_t)

/* What tiles have of a line of sums; the two pixels at their ends may count in part. */
#define ACROSS(NAME, SUM)                                                              \
    CLONES static void NAME(const SUM *sums, Py_ssize_t columns, const int32_t *at,    \
                            int64_t *out)                                              \
    {                                                                                  \
        for (Py_ssize_t j = 0; j < columns; j++, at += 4) {                            \
            uint64_t sum = 0;                                                          \
            for (int32_t x = at[0] + 1; x < at[1]; x++)                                \
                sum += sums[x];                                                        \
            sum = sum * (uint64_t)columns + (uint64_t)at[2] * sums[at[0]] +            \
                  (uint64_t)at[3] * sums[at[1]];                                       \
            out[j] = (int64_t)sum;                                                     \
        }                                                                              \
    }
ACROSS(across_32, uint32_t)
ACROSS(across_64, uint64_t)

CLONES static unsigned bits_of(const uint16_t *row, Py_ssize_t n)
{
    uint16_t bits = 0;
    for (Py_ssize_t x = 0; x < n; x++)
        bits |= row[x];
    return bits;
}

/* What the lines of a tile count for adds up to the height of the plane: whether that
 * many squares fit 32 bits. */
static int is_narrow(const Plane *p)
{
    uint64_t most = p->wide ? 0 : 255;
    for (Py_ssize_t y = 0; p->wide && y < p->height; y++)
        most |= bits_of((const uint16_t *)line(p, y), p->width);
    return (uint64_t)p->height * most * most <= UINT32_MAX;
}

/* out: sums of codes of all tiles, then of squares, in rows x columns-ths of a pixel;
 * places: four numbers a tile across; room: two lines of 64 bits. */
static void read_moments(const Plane *p, Py_ssize_t rows, Py_ssize_t columns,
                         int64_t *out, int32_t *places, void *room)
{
    Py_ssize_t h = p->height, n = p->width;
    int narrow = is_narrow(p);
    uint32_t *few = room;
    uint64_t *many = room;
    find_places(n, columns, places);
    for (Py_ssize_t i = 0; i < rows; i++, out += columns) {
        int64_t *squares = out + rows * columns;
        memset(room, 0, 2 * (size_t)n * sizeof(uint64_t));
        for (Py_ssize_t y = i * h / rows; y < h && y * rows < (i + 1) * h; y++) {
            int64_t times = covered(y, h, i, rows);
            const char *row = line(p, y);
            if (!p->wide)
                moments_8((const uint8_t *)row, n, (uint32_t)times, few, few + n);
            else if (narrow)
                moments_10((const uint16_t *)row, n, (uint32_t)times, few, few + n);
            else
                moments_16((const uint16_t *)row, n, (uint64_t)times, many, many + n);
        }
        if (narrow) {
            across_32(few, columns, places, out);
            across_32(few + n, columns, places, squares);
        } else {
            across_64(many, columns, places, out);
            across_64(many + n, columns, places, squares);
        }
    }
}

/* How much tiles differ in themselves, and a share of how bright they are; `how`: the
 * size of the plane, the code of black, percent a code, the share, and under how many
 * percent a tile is too dark. */
static void contrast_of(const int64_t *moments, Py_ssize_t tiles, const double *how,
                        double *out)
{
    double size = how[0], black = how[1], percent = how[2], share = how[3];
    for (Py_ssize_t i = 0; i < tiles; i++) {
        double mean = (double)moments[i] / size;
        double variance = (double)moments[tiles + i] / size - mean * mean;
        double level = (mean - black) * percent, part = share * level;
        if (!(variance > 0.0))
            variance = 0.0;
        out[i] = sqrt(variance * (percent * percent) + part * part);
        if (!(level > how[4]))
            out[i] = NAN;
    }
}

/* Of sums of some pixels each and of their squares: the variance of each, and of all. */
static double variance_of(const double *count, const double *total,
                          const double *squares, Py_ssize_t n, double *out)
{
    double all = 0.0, sum = 0.0, sum2 = 0.0;
    for (Py_ssize_t i = 0; i < n; i++) {
        double mean = total[i] / count[i];
        double variance = squares[i] / count[i] - mean * mean;
        out[i] = variance < 0.0 ? 0.0 : variance;
        all += count[i];
        sum += total[i];
        sum2 += squares[i];
    }
    double mean = sum / all, variance = sum2 / all - mean * mean;
    return variance < 0.0 ? 0.0 : variance;
}

/* ------------------------------------------------------------------ Python's side */

/* The arguments that name a plane's tiles; what they hold, `refuse` lets go. */
static int hold_tiles(Held *held, PyObject *from, Plane *p, Py_ssize_t rows,
                      Py_ssize_t columns)
{
    if (hold_plane(held, from, p) < 0)
        return -1;
    if (rows > 0 && columns > 0 && rows <= MOST_TILES && columns <= MOST_TILES &&
        p->height > 0 && p->width > 0 && p->height <= 32768 && p->width <= 32768)
        return 0;
    PyErr_SetString(PyExc_ValueError, "tiles want a plane of 1 to 32768 pixels each way");
    return -1;
}

PyObject *tile_moments(PyObject *self, PyObject *given)
{
    (void)self;
    PyObject *plane_from, *out_from;
    Py_ssize_t rows, columns;
    if (!PyArg_ParseTuple(given, "OnnO", &plane_from, &rows, &columns, &out_from))
        return NULL;
    Held held = {.held = 0};
    Plane p;
    if (hold_tiles(&held, plane_from, &p, rows, columns) < 0)
        return refuse(&held, NULL);
    int64_t *out = hold_numbers(&held, out_from, 2 * rows * columns);
    if (out == NULL)
        return refuse(&held, NULL);
    int32_t places[4 * MOST_TILES];
    void *room = malloc(2 * (size_t)p.width * sizeof(uint64_t));
    if (room == NULL) {
        let_go(&held);
        return PyErr_NoMemory();
    }
    Py_BEGIN_ALLOW_THREADS
    read_moments(&p, rows, columns, out, places, room);
    Py_END_ALLOW_THREADS
    free(room);
    return done(&held);
}

PyObject *tile_contrast(PyObject *self, PyObject *given)
{
    (void)self;
    PyObject *plane_from, *out_from;
    Py_ssize_t rows, columns;
    double how[5];
    if (!PyArg_ParseTuple(given, "OnnddddO", &plane_from, &rows, &columns, how + 1,
                          how + 2, how + 3, how + 4, &out_from))
        return NULL;
    Held held = {.held = 0};
    Plane p;
    if (hold_tiles(&held, plane_from, &p, rows, columns) < 0)
        return refuse(&held, NULL);
    double *out = hold_doubles(&held, out_from, rows * columns, 1);
    if (out == NULL)
        return refuse(&held, NULL);
    int32_t places[4 * MOST_TILES];
    size_t tiles = (size_t)(rows * columns);
    int64_t *moments = malloc((2 * tiles + 2 * (size_t)p.width) * sizeof(int64_t));
    if (moments == NULL) {
        let_go(&held);
        return PyErr_NoMemory();
    }
    how[0] = (double)p.height * (double)p.width;
    Py_BEGIN_ALLOW_THREADS
    read_moments(&p, rows, columns, moments, places, moments + 2 * tiles);
    contrast_of(moments, rows * columns, how, out);
    Py_END_ALLOW_THREADS
    free(moments);
    return done(&held);
}

PyObject *tile_variance(PyObject *self, PyObject *given)
{
    (void)self;
    PyObject *count_from, *total_from, *squares_from, *out_from;
    Py_ssize_t tiles;
    if (!PyArg_ParseTuple(given, "nOOOO", &tiles, &count_from, &total_from, &squares_from,
                          &out_from))
        return NULL;
    Held held = {.held = 0};
    const double *count = hold_doubles(&held, count_from, tiles, 0);
    const double *total = count ? hold_doubles(&held, total_from, tiles, 0) : NULL;
    const double *squares = total ? hold_doubles(&held, squares_from, tiles, 0) : NULL;
    double *out = squares ? hold_doubles(&held, out_from, tiles, 1) : NULL;
    if (out == NULL)
        return refuse(&held, NULL);
    double whole = variance_of(count, total, squares, tiles, out);
    let_go(&held);
    return PyFloat_FromDouble(whole);
}
