/* Two frames, or the two fields of one, against each other. */
#include "planes.h"

/* ------------------------------------------------------------------ two frames */

#define SIDE 16

/* Of each square of 16 x 16 pixels, over all of them: the difference of two planes, its
 * square; their sum, its square; the square of the difference's 2 x 2 sums. */
#define PAIR(NAME, CODE, NUMBER, SUM)                                                  \
    CLONES static void NAME(const CODE *const *one, const CODE *const *two,            \
                            int64_t *out, Py_ssize_t apart)                            \
    {                                                                                  \
        SUM d1 = 0, d2 = 0, t1 = 0, t2 = 0, h2 = 0;                                    \
        for (int y = 0; y < SIDE; y += 2) {                                            \
            SUM whole[SIDE];                                                           \
            for (int x = 0; x < SIDE; x++) {                                           \
                NUMBER a = one[y][x], b = two[y][x];                                   \
                NUMBER c = one[y + 1][x], e = two[y + 1][x];                           \
                NUMBER p = (NUMBER)(b - a), q = (NUMBER)(e - c);                       \
                NUMBER r = (NUMBER)(a + b), s = (NUMBER)(c + e);                       \
                d1 += p + q;                                                           \
                d2 += (SUM)p * p + (SUM)q * q;                                         \
                t1 += r + s;                                                           \
                t2 += (SUM)r * r + (SUM)s * s;                                         \
                whole[x] = p + q;                                                      \
            }                                                                          \
            for (int x = 0; x < SIDE; x += 2)                                          \
                h2 += (whole[x] + whole[x + 1]) * (whole[x] + whole[x + 1]);           \
        }                                                                              \
        SUM all[5] = {d1, d2, t1, t2, h2};                                             \
        for (int i = 0; i < 5; i++)                                                    \
            out[i * apart] = (int64_t)all[i];                                          \
    }
/* 8 bits: 256 squares of 510, and 64 of 1020, stay under 2^31. */
PAIR(pair_8, uint8_t, int16_t, int32_t)
PAIR(pair_16, uint16_t, int32_t, int64_t)

#define READ_PAIR(NAME, CODE, PAIR_OF)                                                 \
    static void NAME(const Plane *one, const Plane *two, int64_t *out)                 \
    {                                                                                  \
        Py_ssize_t across = one->width / SIDE, down = one->height / SIDE;              \
        const CODE *a[SIDE], *b[SIDE];                                                 \
        for (Py_ssize_t i = 0; i < down; i++) {                                        \
            for (Py_ssize_t j = 0; j < across; j++, out++) {                           \
                for (int k = 0; k < SIDE; k++) {                                       \
                    a[k] = (const CODE *)line(one, i * SIDE + k) + j * SIDE;           \
                    b[k] = (const CODE *)line(two, i * SIDE + k) + j * SIDE;           \
                }                                                                      \
                PAIR_OF(a, b, out, across * down);                                     \
            }                                                                          \
        }                                                                              \
    }
READ_PAIR(read_pair_8, uint8_t, pair_8)
READ_PAIR(read_pair_16, uint16_t, pair_16)

/* Sums for the lag between two fields: cells are means of some pixels along a line, kept
 * as sums; what lies between two lines of the upper field is kept doubled, and the lower
 * field with it. Of each patch: change of the upper and of the lower field, both
 * together, each squared; what the fields differ by, and that times the change; upper
 * field now and before, and their squares. */
#define LAG_SUMS 11

/* The usual factors by name, so that they are known when this is compiled. */
#define CELLS(NAME, CODE)                                                              \
    static inline void NAME##_by(const CODE *row, Py_ssize_t factor, Py_ssize_t cells, \
                                 int32_t *out)                                         \
    {                                                                                  \
        for (Py_ssize_t i = 0; i < cells; i++) {                                       \
            int32_t sum = 0;                                                           \
            for (Py_ssize_t k = 0; k < factor; k++)                                    \
                sum += row[i * factor + k];                                            \
            out[i] = sum;                                                              \
        }                                                                              \
    }                                                                                  \
    CLONES static void NAME(const CODE *row, Py_ssize_t factor, Py_ssize_t cells,      \
                            int32_t *out)                                              \
    {                                                                                  \
        if (factor == 2)                                                               \
            NAME##_by(row, 2, cells, out);                                             \
        else if (factor == 4)                                                          \
            NAME##_by(row, 4, cells, out);                                             \
        else if (factor == 8)                                                          \
            NAME##_by(row, 8, cells, out);                                             \
        else                                                                           \
            NAME##_by(row, factor, cells, out);                                        \
    }
CELLS(cells_8, uint8_t)
CELLS(cells_16, uint16_t)

static void to_cells(const Plane *p, Py_ssize_t y, Py_ssize_t factor, Py_ssize_t cells,
                     int32_t *out)
{
    if (p->wide)
        cells_16((const uint16_t *)line(p, y), factor, cells, out);
    else
        cells_8((const uint8_t *)line(p, y), factor, cells, out);
}

#define LAG(NAME, SUM)                                                                 \
    CLONES static void NAME(const int32_t *before, const int32_t *now,                 \
                            Py_ssize_t cells, Py_ssize_t width, int64_t *out,          \
                            Py_ssize_t apart)                                          \
    {                                                                                  \
        for (Py_ssize_t j = 0; j < cells / width; j++, out++) {                        \
            SUM all[LAG_SUMS] = {0};                                                   \
            for (Py_ssize_t x = j * width; x < (j + 1) * width; x++) {                 \
                SUM t0 = before[x] + before[2 * cells + x];                            \
                SUM t1 = now[x] + now[2 * cells + x];                                  \
                SUM b0 = 2 * before[cells + x], b1 = 2 * now[cells + x];               \
                SUM top = t1 - t0, bottom = b1 - b0, held = b1 + b0 - t1 - t0;         \
                all[0] += top;                                                         \
                all[1] += bottom;                                                      \
                all[2] += top * bottom;                                                \
                all[3] += top * top;                                                   \
                all[4] += bottom * bottom;                                             \
                all[5] += held;                                                        \
                all[6] += (top + bottom) * held;                                       \
                all[7] += t1;                                                          \
                all[8] += t1 * t1;                                                     \
                all[9] += t0;                                                          \
                all[10] += t0 * t0;                                                    \
            }                                                                          \
            for (int i = 0; i < LAG_SUMS; i++)                                         \
                out[i * apart] += (int64_t)all[i];                                     \
        }                                                                              \
    }
LAG(lag_32, int32_t)
LAG(lag_64, int64_t)

/* room: two frames' bands of cells. */
static void read_lag(const Plane *before, const Plane *now, Py_ssize_t rows,
                     Py_ssize_t factor, Py_ssize_t width, int64_t *out, int32_t *room)
{
    Py_ssize_t cells = now->width / factor, across = cells / width;
    Py_ssize_t bands = now->height / rows;
    int32_t *one = room, *two = room + rows * cells;
    /* The greatest product is 2 x 2 x 2 x 2 cells squared, of so many cells. */
    int small = !now->wide && factor * factor * width <= 2048;
    memset(out, 0, LAG_SUMS * (size_t)(bands * across) * sizeof(int64_t));
    for (Py_ssize_t i = 0; i < bands; i++, out += across) {
        for (Py_ssize_t y = 0; y < rows; y++) {
            to_cells(before, i * rows + y, factor, cells, one + y * cells);
            to_cells(now, i * rows + y, factor, cells, two + y * cells);
        }
        for (Py_ssize_t y = 0; y + 3 < rows / 2 * 2; y += 2)
            (small ? lag_32 : lag_64)(one + y * cells, two + y * cells, cells, width, out,
                                      bands * across);
    }
}

/* ------------------------------------------------------------------ Python's side */

static int hold_pair(Held *held, PyObject *one_from, Plane *one, PyObject *two_from,
                     Plane *two)
{
    if (hold_plane(held, one_from, one) < 0 || hold_plane(held, two_from, two) < 0)
        return -1;
    if (same_shape(one, two))
        return 0;
    PyErr_SetString(PyExc_ValueError, "two planes must be of one shape and type");
    return -1;
}

PyObject *pair_sums(PyObject *self, PyObject *given)
{
    (void)self;
    PyObject *one_from, *two_from, *out_from;
    if (!PyArg_ParseTuple(given, "OOO", &one_from, &two_from, &out_from))
        return NULL;
    Held held = {.held = 0};
    Plane one, two;
    if (hold_pair(&held, one_from, &one, two_from, &two) < 0)
        return refuse(&held, NULL);
    Py_ssize_t blocks = one.height / SIDE * (one.width / SIDE);
    int64_t *out = hold_numbers(&held, out_from, 5 * blocks);
    if (out == NULL)
        return refuse(&held, NULL);
    Py_BEGIN_ALLOW_THREADS
    (one.wide ? read_pair_16 : read_pair_8)(&one, &two, out);
    Py_END_ALLOW_THREADS
    return done(&held);
}

PyObject *lag_sums(PyObject *self, PyObject *given)
{
    (void)self;
    PyObject *one_from, *two_from, *out_from;
    Py_ssize_t rows, factor, width;
    if (!PyArg_ParseTuple(given, "OOnnnO", &one_from, &two_from, &rows, &factor, &width,
                          &out_from))
        return NULL;
    Held held = {.held = 0};
    Plane one, two;
    if (hold_pair(&held, one_from, &one, two_from, &two) < 0)
        return refuse(&held, NULL);
    if (rows < 1 || factor < 1 || factor > 4096 || width < 1 || one.height % rows)
        return refuse(&held, "bands must fill a plane");
    Py_ssize_t cells = one.width / factor;
    int64_t *out = hold_numbers(&held, out_from,
                                LAG_SUMS * (one.height / rows) * (cells / width));
    if (out == NULL)
        return refuse(&held, NULL);
    int32_t *room = malloc((size_t)(2 * rows * cells + 1) * sizeof(int32_t));
    if (room == NULL) {
        let_go(&held);
        return PyErr_NoMemory();
    }
    Py_BEGIN_ALLOW_THREADS
    read_lag(&one, &two, rows, factor, width, out, room);
    Py_END_ALLOW_THREADS
    free(room);
    return done(&held);
}
