/* Two frames, or the two fields of one, against each other. */
#include "planes.h"
#if defined(__SSE2__)
#include <emmintrin.h>
#endif

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
#define HELD_TOP 6

/* Sums of a line's pixels; where that halves a cell's, first of two beside each other,
 * as one number of twice the bits. The usual factors by name, so that they are known when
 * this is compiled. Returns the bits of all sums. */
#define CELLS(NAME, CODE, TWO, HALF)                                                   \
    static inline void NAME##_by(const HALF *row, Py_ssize_t factor, Py_ssize_t cells, \
                                 int32_t *out)                                         \
    {                                                                                  \
        for (Py_ssize_t i = 0; i < cells; i++) {                                       \
            int32_t sum = 0;                                                           \
            for (Py_ssize_t k = 0; k < factor; k++)                                    \
                sum += (int32_t)row[i * factor + k];                                   \
            out[i] = sum;                                                              \
        }                                                                              \
    }                                                                                  \
    CLONES static int32_t NAME(const CODE *row, Py_ssize_t factor, Py_ssize_t cells,   \
                               HALF *restrict room, int32_t *restrict out)             \
    {                                                                                  \
        const TWO *twos = (const TWO *)row;                                            \
        if (LOW_FIRST && factor % 2 == 0) {                                            \
            factor /= 2;                                                               \
            for (Py_ssize_t x = 0; x < cells * factor; x++)                            \
                room[x] = (HALF)((CODE)twos[x] + (twos[x] >> (8 * sizeof(CODE))));     \
        } else                                                                         \
            for (Py_ssize_t x = 0; x < cells * factor; x++)                            \
                room[x] = row[x];                                                      \
        if (factor == 1)                                                               \
            NAME##_by(room, 1, cells, out);                                            \
        else if (factor == 2)                                                          \
            NAME##_by(room, 2, cells, out);                                            \
        else if (factor == 4)                                                          \
            NAME##_by(room, 4, cells, out);                                            \
        else                                                                           \
            NAME##_by(room, factor, cells, out);                                       \
        int32_t bits = 0;                                                              \
        for (Py_ssize_t i = 0; i < cells; i++)                                         \
            bits |= out[i];                                                            \
        return bits;                                                                   \
    }
CELLS(cells_8, uint8_t, Two, uint16_t)
CELLS(cells_16, uint16_t, WideTwo, uint32_t)

static int32_t to_cells(const Plane *p, Py_ssize_t y, Py_ssize_t factor,
                        Py_ssize_t cells, void *room, int32_t *out)
{
    if (p->wide)
        return cells_16((const uint16_t *)line(p, y), factor, cells, room, out);
    return cells_8((const uint8_t *)line(p, y), factor, cells, room, out);
}

/* Lines of sums do not overlap. */
#if defined(__GNUC__) && !defined(__clang__)
#define APART _Pragma("GCC ivdep")
#else
#define APART
#endif

/* Adds three lines of both frames to the sums of each column of cells; then those of
 * patches of columns. */
#define LAG(NAME, SUM)                                                                 \
    CLONES static void NAME(const int32_t *before, const int32_t *now,                 \
                            Py_ssize_t cells, SUM *restrict sums)                      \
    {                                                                                  \
        APART                                                                          \
        for (Py_ssize_t x = 0; x < cells; x++) {                                       \
            SUM t0 = before[x] + before[x + 2 * cells];                                \
            SUM t1 = now[x] + now[x + 2 * cells];                                      \
            SUM b0 = 2 * before[x + cells], b1 = 2 * now[x + cells];                   \
            SUM top = t1 - t0, bottom = b1 - b0, held = b1 + b0 - t1 - t0;             \
            sums[x] += top;                                                            \
            sums[x + cells] += bottom;                                                 \
            sums[x + 2 * cells] += top * bottom;                                       \
            sums[x + 3 * cells] += top * top;                                          \
            sums[x + 4 * cells] += bottom * bottom;                                    \
            sums[x + 5 * cells] += held;                                               \
            sums[x + 6 * cells] += top * held;                                         \
            sums[x + 7 * cells] += bottom * held;                                      \
            sums[x + 8 * cells] += t1;                                                 \
            sums[x + 9 * cells] += t1 * t1;                                            \
            sums[x + 10 * cells] += t0;                                                \
            sums[x + 11 * cells] += t0 * t0;                                           \
        }                                                                              \
    }                                                                                  \
    CLONES static void NAME##_patches(const SUM *sums, Py_ssize_t cells,               \
                                      Py_ssize_t width, int64_t *out,                  \
                                      Py_ssize_t apart)                                \
    {                                                                                  \
        for (int i = 0, to = 0; i <= LAG_SUMS; i++, sums += cells) {                   \
            for (Py_ssize_t j = 0; j < cells / width; j++) {                           \
                int64_t sum = 0;                                                       \
                for (Py_ssize_t x = j * width; x < (j + 1) * width; x++)               \
                    sum += sums[x];                                                    \
                out[to * apart + j] += sum;                                            \
            }                                                                          \
            to += i != HELD_TOP; /* both changes times what is held are one */         \
        }                                                                              \
    }
LAG(lag_32, int32_t)
LAG(lag_64, int64_t)

/* room: two frames' bands of cells, a line of pixels, a line of each sum. */
static void read_lag(const Plane *before, const Plane *now, Py_ssize_t rows,
                     Py_ssize_t factor, Py_ssize_t width, int64_t *out, int32_t *room)
{
    Py_ssize_t cells = now->width / factor, across = cells / width;
    Py_ssize_t bands = now->height / rows, lines = rows / 2 - 1;
    int64_t *sums = (int64_t *)room;
    int32_t *one = room + 2 * (LAG_SUMS + 1) * cells, *two = one + rows * cells;
    memset(out, 0, LAG_SUMS * (size_t)(bands * across) * sizeof(int64_t));
    for (Py_ssize_t i = 0; lines > 0 && i < bands; i++, out += across) {
        int64_t bits = 0;
        for (Py_ssize_t y = 0; y < rows; y++) {
            bits |= to_cells(before, i * rows + y, factor, cells, two + rows * cells,
                             one + y * cells);
            bits |= to_cells(now, i * rows + y, factor, cells, two + rows * cells,
                             two + y * cells);
        }
        /* The greatest product is 2 x 2 x 2 cells squared. */
        int small = 8 * bits * bits * lines <= INT32_MAX;
        memset(room, 0, (LAG_SUMS + 1) * (size_t)cells * sizeof(int64_t));
        for (Py_ssize_t y = 0; y < 2 * lines; y += 2) {
            if (small)
                lag_32(one + y * cells, two + y * cells, cells, room);
            else
                lag_64(one + y * cells, two + y * cells, cells, sums);
        }
        if (small)
            lag_32_patches(room, cells, width, out, bands * across);
        else
            lag_64_patches(sums, cells, width, out, bands * across);
    }
}

/* Each field of one frame against the other field of another one, between two lines of
 * that: squares of what they differ by, doubled, of the lower field of the one; then of
 * its upper field. */
CLONES static void across(const int32_t *one, const int32_t *two, Py_ssize_t cells,
                          int64_t *restrict sums)
{
    APART
    for (Py_ssize_t x = 0; x < cells; x++) {
        int64_t d = 2 * one[x + cells] - two[x] - two[x + 2 * cells];
        int64_t e = 2 * one[x + 2 * cells] - two[x + cells] - two[x + 3 * cells];
        sums[x] += d * d;
        sums[x + cells] += e * e;
    }
}

/* room: two frames' bands of cells, a line of pixels, a line of each sum. */
static void read_across(const Plane *first, const Plane *second, Py_ssize_t rows,
                        Py_ssize_t factor, Py_ssize_t width, int64_t *out,
                        int32_t *room)
{
    Py_ssize_t cells = first->width / factor, patches = cells / width;
    Py_ssize_t bands = first->height / rows, lines = rows / 2 - 1;
    int64_t *sums = (int64_t *)room;
    int32_t *one = room + 4 * cells, *two = one + rows * cells;
    memset(out, 0, 2 * (size_t)(bands * patches) * sizeof(int64_t));
    for (Py_ssize_t i = 0; lines > 0 && i < bands; i++) {
        for (Py_ssize_t y = 0; y < rows; y++) {
            to_cells(first, i * rows + y, factor, cells, two + rows * cells,
                     one + y * cells);
            to_cells(second, i * rows + y, factor, cells, two + rows * cells,
                     two + y * cells);
        }
        memset(sums, 0, 2 * (size_t)cells * sizeof(int64_t));
        for (Py_ssize_t y = 0; y < 2 * lines; y += 2)
            across(one + y * cells, two + y * cells, cells, sums);
        for (Py_ssize_t x = 0; x < patches * width; x++) {
            out[i * patches + x / width] += sums[x];
            out[(bands + i) * patches + x / width] += sums[cells + x];
        }
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

/* Both kinds of sums over patches of bands: the same arguments, so many sums. */
typedef void (*ReadPatches)(const Plane *, const Plane *, Py_ssize_t, Py_ssize_t,
                            Py_ssize_t, int64_t *, int32_t *);

static PyObject *patch_sums_by(PyObject *given, ReadPatches read, Py_ssize_t count)
{
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
                                count * (one.height / rows) * (cells / width));
    if (out == NULL)
        return refuse(&held, NULL);
    int32_t *room = malloc(
        (size_t)(2 * (rows + LAG_SUMS + 1) * cells + one.width + 2) * sizeof(int32_t));
    if (room == NULL) {
        let_go(&held);
        return PyErr_NoMemory();
    }
    Py_BEGIN_ALLOW_THREADS
    read(&one, &two, rows, factor, width, out, room);
    Py_END_ALLOW_THREADS
    free(room);
    return done(&held);
}

PyObject *lag_sums(PyObject *self, PyObject *given)
{
    (void)self;
    return patch_sums_by(given, read_lag, LAG_SUMS);
}

PyObject *across_sums(PyObject *self, PyObject *given)
{
    (void)self;
    return patch_sums_by(given, read_across, 2);
}

/* Puts bands of a plane past the cache: seldom does anybody read them, and what is in
 * the way of the next picture costs more than fetching them again. */
static void put_line(char *to, const char *from, size_t bytes)
{
#if defined(__SSE2__)
    if ((uintptr_t)to % 16 == 0) {
        for (; bytes >= 64; bytes -= 64, from += 64, to += 64)
            for (int i = 0; i < 64; i += 16)
                _mm_stream_si128((__m128i *)(to + i),
                                 _mm_loadu_si128((const __m128i *)(from + i)));
    }
#endif
    memcpy(to, from, bytes);
}

PyObject *copy_bands(PyObject *self, PyObject *given)
{
    (void)self;
    PyObject *plane_from, *tops_from, *out_from;
    Py_ssize_t count, rows;
    if (!PyArg_ParseTuple(given, "OOnnO", &plane_from, &tops_from, &count, &rows,
                          &out_from))
        return NULL;
    Held held = {.held = 0};
    Plane p;
    if (hold_plane(&held, plane_from, &p) < 0)
        return refuse(&held, NULL);
    if (count < 1 || rows < 1 || rows > p.height)
        return refuse(&held, "bands must lie in a plane");
    const int64_t *tops = hold_numbers(&held, tops_from, count);
    char *out = tops ? hold_items(&held, out_from, count * rows * p.width,
                                  p.wide ? "H" : "B", 1)
                     : NULL;
    if (out == NULL)
        return refuse(&held, NULL);
    for (Py_ssize_t i = 0; i < count; i++)
        if (tops[i] < 0 || tops[i] > p.height - rows)
            return refuse(&held, "bands must lie in a plane");
    size_t bytes = (size_t)p.width * (p.wide ? 2 : 1);
    Py_BEGIN_ALLOW_THREADS
    for (Py_ssize_t i = 0; i < count; i++)
        for (Py_ssize_t y = tops[i]; y < tops[i] + rows; y++, out += bytes)
            put_line(out, line(&p, y), bytes);
#if defined(__SSE2__)
    _mm_sfence();
#endif
    Py_END_ALLOW_THREADS
    return done(&held);
}
