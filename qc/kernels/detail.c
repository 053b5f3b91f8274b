/* How much fine detail a plane has, and where: roughness of blocks, second differences
 * along and down, moments of tiles, the steps at edges; and sums of areas.
 */
#include "planes.h"

/* ------------------------------------------------------------------ detail */

/* Which blocks of a plane are quiet: the filter (1 -2 1) x (1 -2 1), its magnitude
 * summed, on narrow numbers where the codes are 8 bits, and the sum of each block's codes along with it. */
CLONES static void second_narrow(const uint8_t *a, const uint8_t *b, const uint8_t *c,
                                 Py_ssize_t n, int16_t *out)
{
    for (Py_ssize_t x = 0; x < n; x++)
        out[x] = (int16_t)(a[x] + c[x] - 2 * b[x]);
}

CLONES static void second_wide(const uint16_t *a, const uint16_t *b, const uint16_t *c,
                               Py_ssize_t n, int32_t *out)
{
    for (Py_ssize_t x = 0; x < n; x++)
        out[x] = (int32_t)a[x] + c[x] - 2 * (int32_t)b[x];
}

/* At most 2040 each; 32 lines of it fit 16 bits. */
CLONES static void add_narrow(const int16_t *second, const uint8_t *codes, Py_ssize_t n,
                              uint16_t *rough, uint16_t *sums)
{
    for (Py_ssize_t x = 0; x < n; x++) {
        int16_t v = (int16_t)(second[x - 1] + second[x + 1] - 2 * second[x]);
        rough[x] = (uint16_t)(rough[x] + (v < 0 ? -v : v));
        sums[x] = (uint16_t)(sums[x] + codes[x]);
    }
}

CLONES static void add_wide(const int32_t *second, const uint16_t *codes, Py_ssize_t n,
                            uint32_t *rough, uint32_t *sums)
{
    for (Py_ssize_t x = 0; x < n; x++) {
        int32_t v = second[x - 1] + second[x + 1] - 2 * second[x];
        rough[x] += (uint32_t)(v < 0 ? -v : v);
        sums[x] += codes[x];
    }
}

/* out: roughness of all blocks, then their sums; room: four lines of 32 bits and two
 * more numbers. */
#define QUIET(NAME, CODE, SECOND_OF, DIFFERENCE, ADD, SUM)                             \
    static void NAME(const Plane *p, Py_ssize_t side, int64_t *out, void *room)        \
    {                                                                                  \
        Py_ssize_t n = p->width, h = p->height, across = n / side;                     \
        Py_ssize_t blocks = h / side * across;                                         \
        SUM *rough = room, *sums = rough + n;                                          \
        DIFFERENCE *second = (DIFFERENCE *)(sums + n) + 1;                             \
        memset(room, 0, 2 * (size_t)n * sizeof(SUM));                                  \
        for (Py_ssize_t y = 0; y < h; y++) {                                           \
            const CODE *b = (const CODE *)line(p, y);                                  \
            SECOND_OF((const CODE *)line(p, y > 0 ? y - 1 : 1), b,                     \
                      (const CODE *)line(p, y + 1 < h ? y + 1 : h - 2), n, second);    \
            second[-1] = second[1];                                                    \
            second[n] = second[n - 2];                                                 \
            ADD(second, b, n, rough, sums);                                            \
            if ((y + 1) % side)                                                        \
                continue;                                                              \
            for (Py_ssize_t i = 0; i < across; i++, out++) {                           \
                int64_t r = 0, s = 0;                                                  \
                for (Py_ssize_t k = i * side; k < (i + 1) * side; k++) {               \
                    r += rough[k];                                                     \
                    s += sums[k];                                                      \
                }                                                                      \
                out[0] = r;                                                            \
                out[blocks] = s;                                                       \
            }                                                                          \
            memset(room, 0, 2 * (size_t)n * sizeof(SUM));                              \
        }                                                                              \
    }
QUIET(quiet_8, uint8_t, second_narrow, int16_t, add_narrow, uint16_t)
QUIET(quiet_16, uint16_t, second_wide, int32_t, add_wide, uint32_t)

/* Squares of the second difference along one line, and from line to line. */
#define BOTH_WAYS(NAME, CODE, DIFFERENCE, SUM, BLOCK)                                  \
    CLONES static uint64_t NAME##_along(const CODE *b, Py_ssize_t x0, Py_ssize_t x1)   \
    {                                                                                  \
        uint64_t all = 0;                                                              \
        for (Py_ssize_t x = x0; x < x1;) {                                             \
            Py_ssize_t end = x1 - x > BLOCK ? x + BLOCK : x1;                          \
            SUM sum = 0;                                                               \
            for (; x < end; x++) {                                                     \
                DIFFERENCE d = (DIFFERENCE)(b[x] + b[x + 2] - 2 * b[x + 1]);           \
                sum += (SUM)d * d;                                                     \
            }                                                                          \
            all += (uint64_t)sum;                                                      \
        }                                                                              \
        return all;                                                                    \
    }                                                                                  \
    CLONES static uint64_t NAME##_down(const CODE *a, const CODE *b, const CODE *c,    \
                                       Py_ssize_t x0, Py_ssize_t x1)                   \
    {                                                                                  \
        uint64_t all = 0;                                                              \
        for (Py_ssize_t x = x0; x < x1;) {                                             \
            Py_ssize_t end = x1 - x > BLOCK ? x + BLOCK : x1;                          \
            SUM sum = 0;                                                               \
            for (; x < end; x++) {                                                     \
                DIFFERENCE d = (DIFFERENCE)(a[x] + c[x] - 2 * b[x]);                   \
                sum += (SUM)d * d;                                                     \
            }                                                                          \
            all += (uint64_t)sum;                                                      \
        }                                                                              \
        return all;                                                                    \
    }
BOTH_WAYS(ways_8, uint8_t, int16_t, int32_t, 2048)
BOTH_WAYS(ways_16, uint16_t, int32_t, int64_t, 65536)

/* sums: along of all tiles, then down. */
static void read_ways(const Plane *p, Py_ssize_t step, Py_ssize_t rows,
                      Py_ssize_t columns, int64_t *sums)
{
    Py_ssize_t lines = (p->height - 2) / step, n = p->width, inner = n - 2;
    memset(sums, 0, 2 * (size_t)(rows * columns) * sizeof(int64_t));
    for (Py_ssize_t i = 0; i < rows; i++)
        for (Py_ssize_t k = lines * i / rows; k < lines * (i + 1) / rows; k++) {
            const char *a = line(p, k * step), *b = line(p, k * step + 1);
            const char *c = line(p, k * step + 2);
            for (Py_ssize_t j = 0; j < columns; j++) {
                int64_t *out = sums + i * columns + j;
                Py_ssize_t x0 = inner * j / columns, x1 = inner * (j + 1) / columns;
                Py_ssize_t v0 = n * j / columns, v1 = n * (j + 1) / columns;
                if (p->wide) {
                    const uint16_t *row = (const uint16_t *)b;
                    out[0] += (int64_t)ways_16_along(row, x0, x1);
                    out[rows * columns] += (int64_t)ways_16_down(
                        (const uint16_t *)a, row, (const uint16_t *)c, v0, v1);
                } else {
                    const uint8_t *row = (const uint8_t *)b;
                    out[0] += (int64_t)ways_8_along(row, x0, x1);
                    out[rows * columns] += (int64_t)ways_8_down(
                        (const uint8_t *)a, row, (const uint8_t *)c, v0, v1);
                }
            }
        }
}

/* Codes and their squares from x0 to x1. */
#define MOMENTS(NAME, CODE, SQUARE)                                                    \
    CLONES static void NAME(const CODE *row, Py_ssize_t x0, Py_ssize_t x1,             \
                            int64_t *sum, int64_t *squares)                            \
    {                                                                                  \
        SQUARE first = 0, second = 0;                                                  \
        for (Py_ssize_t x = x0; x < x1; x++) {                                         \
            first += row[x];                                                           \
            second += (SQUARE)row[x] * row[x];                                         \
        }                                                                              \
        *sum = (int64_t)first;                                                         \
        *squares = (int64_t)second;                                                    \
    }
/* 8 bits: 32768 squares stay under 2^31. */
MOMENTS(moments_8, uint8_t, int32_t)
MOMENTS(moments_16, uint16_t, int64_t)

/* out: sums of codes of all tiles, then of squares, in rows x columns-ths of a pixel;
 * room: four numbers a tile across. */
static void read_moments(const Plane *p, Py_ssize_t rows, Py_ssize_t columns,
                         int64_t *out, int32_t *room)
{
    Py_ssize_t h = p->height, all = rows * columns;
    memset(out, 0, 2 * (size_t)all * sizeof(int64_t));
    find_places(p->width, columns, room);
    for (Py_ssize_t y = 0; y < h; y++) {
        const char *row = line(p, y);
        const int32_t *at = room;
        Py_ssize_t first = y * rows / h, last = ((y + 1) * rows - 1) / h;
        for (Py_ssize_t j = 0; j < columns; j++, at += 4) {
            /* Pixels that lie wholly within, and the two that may not. */
            int64_t sum = 0, squares = 0, one = code_at(p, row, at[0]);
            int64_t two = code_at(p, row, at[1]);
            if (p->wide)
                moments_16((const uint16_t *)row, at[0] + 1, at[1], &sum, &squares);
            else
                moments_8((const uint8_t *)row, at[0] + 1, at[1], &sum, &squares);
            sum = sum * columns + at[2] * one + at[3] * two;
            squares = squares * columns + at[2] * one * one + at[3] * two * two;
            for (Py_ssize_t i = first; i <= last; i++) {
                int64_t weight = covered(y, h, i, rows);
                out[i * columns + j] += weight * sum;
                out[all + i * columns + j] += weight * squares;
            }
        }
    }
}

/* How steep and how bent: counts of the first and of the second difference between
 * sums over squares of the plane, along picked lines of squares. Neighbours are counted
 * apart: most differences are alike, and their counts would wait for each other. */
typedef struct {
    Py_ssize_t scale, step; /* pixels of a square's side; from one line to the next */
    int shift;              /* bits to take off four times a difference */
    Py_ssize_t bins;
    uint32_t *counts; /* of the first difference, then of the second; twice */
} Edges;

static inline void count_edge(const Edges *e, Py_ssize_t i, int64_t before, int64_t here,
                              int64_t after)
{
    uint32_t *counts = e->counts + (i & 1) * 2 * e->bins;
    int64_t slope = after - before, bend = before + after - 2 * here;
    int64_t at = ((slope < 0 ? -slope : slope) << 2) >> e->shift;
    if (at < e->bins)
        counts[at]++;
    at = ((bend < 0 ? -bend : bend) << 2) >> e->shift;
    if (at < e->bins)
        counts[e->bins + at]++;
}

#define READ_EDGES(NAME, CODE)                                                         \
    static inline int64_t NAME##_square(const CODE *row, Py_ssize_t n)                 \
    {                                                                                  \
        int64_t sum = 0;                                                               \
        for (Py_ssize_t x = 0; x < n; x++)                                             \
            sum += row[x];                                                             \
        return sum;                                                                    \
    }                                                                                  \
    static void NAME##_along(const Plane *p, const Edges *e)                           \
    {                                                                                  \
        Py_ssize_t s = e->scale, across = p->width / s, down = p->height / s;          \
        for (Py_ssize_t y = 0; y < down * s; y += e->step) {                           \
            const CODE *row = (const CODE *)line(p, y);                                \
            int64_t older = 0, last = 0;                                               \
            for (Py_ssize_t i = 0; i < across; i++) {                                  \
                int64_t sum = s == 1 ? row[i] : 0;                                     \
                for (Py_ssize_t k = 0; s > 1 && k < s; k++)                            \
                    sum += NAME##_square((const CODE *)line(p, y + k) + i * s, s);     \
                if (i > 1)                                                             \
                    count_edge(e, i, older, last, sum);                                \
                older = last;                                                          \
                last = sum;                                                            \
            }                                                                          \
        }                                                                              \
    }                                                                                  \
    /* Line by line through the memory; room: three numbers a picked column. */        \
    static void NAME##_down(const Plane *p, const Edges *e, int64_t *room)             \
    {                                                                                  \
        Py_ssize_t s = e->scale, across = p->width / s, down = p->height / s;          \
        Py_ssize_t picked = (across * s + e->step - 1) / e->step;                      \
        int64_t *older = room, *last = room + picked, *sums = room + 2 * picked;       \
        for (Py_ssize_t i = 0; i < down; i++) {                                        \
            memset(sums, 0, (size_t)picked * sizeof(int64_t));                         \
            for (Py_ssize_t k = 0; k < s; k++) {                                       \
                const CODE *row = (const CODE *)line(p, i * s + k);                    \
                for (Py_ssize_t j = 0; j < picked; j++)                                \
                    sums[j] += NAME##_square(row + j * e->step, s);                    \
            }                                                                          \
            for (Py_ssize_t j = 0; i > 1 && j < picked; j++)                           \
                count_edge(e, j, older[j], last[j], sums[j]);                          \
            int64_t *spare = older;                                                    \
            older = last;                                                              \
            last = sums;                                                               \
            sums = spare;                                                              \
        }                                                                              \
    }
READ_EDGES(edges_8, uint8_t)
READ_EDGES(edges_16, uint16_t)

static void read_edges(const Plane *p, const Edges *e, int down, int64_t *room,
                       int64_t *out)
{
    if (down)
        (p->wide ? edges_16_down : edges_8_down)(p, e, room);
    else
        (p->wide ? edges_16_along : edges_8_along)(p, e);
    for (Py_ssize_t i = 0; i < 2 * e->bins; i++)
        out[i] = (int64_t)e->counts[i] + e->counts[2 * e->bins + i];
}

/* ------------------------------------------------------------------ Python's side */

PyObject *quiet_blocks(PyObject *self, PyObject *given)
{
    (void)self;
    PyObject *plane_from, *out_from;
    Py_ssize_t side;
    if (!PyArg_ParseTuple(given, "OnO", &plane_from, &side, &out_from))
        return NULL;
    Held held = {.held = 0};
    Plane p;
    if (hold_plane(&held, plane_from, &p) < 0)
        return refuse(&held, NULL);
    if (side < 2 || side > 32 || p.height < side || p.width < side || p.height % side ||
        p.width % side)
        return refuse(&held, "squares of 2 to 32 pixels must fill a plane");
    Py_ssize_t blocks = p.height / side * (p.width / side);
    int64_t *out = hold_numbers(&held, out_from, 2 * blocks);
    if (out == NULL)
        return refuse(&held, NULL);
    void *room = malloc((size_t)(3 * p.width + 2) * sizeof(int32_t));
    if (room == NULL) {
        let_go(&held);
        return PyErr_NoMemory();
    }
    Py_BEGIN_ALLOW_THREADS
    (p.wide ? quiet_16 : quiet_8)(&p, side, out, room);
    Py_END_ALLOW_THREADS
    free(room);
    return done(&held);
}

RANKED(ranked, int64_t)

typedef struct {
    Py_ssize_t usable, taken;
    int64_t sum;
} Quietest;

/* rough: of all squares, then the sums of their codes; is overwritten. */
static Quietest quietest_of(int64_t *rough, Py_ssize_t n, Py_ssize_t side, double low,
                            double high, double share)
{
    Quietest q = {0, 0, 0};
    const int64_t *sums = rough + n;
    double pixels = (double)(side * side);
    for (Py_ssize_t i = 0; i < n; i++) {
        double mean = rint((double)sums[i] / pixels);
        rough[q.usable] = rough[i];
        q.usable += mean > low && mean < high;
    }
    q.taken = (Py_ssize_t)rint(share * (double)q.usable);
    q.taken = q.taken > 4 ? q.taken : 4;
    if (q.taken > q.usable)
        q.taken = q.usable;
    if (q.taken > 0)
        ranked(rough, q.usable, q.taken - 1);
    for (Py_ssize_t i = 0; i < q.taken; i++)
        q.sum += rough[i];
    return q;
}

/* Bands of squares begin at these lines, and are mirrored at their own ends. */
PyObject *quietest(PyObject *self, PyObject *given)
{
    (void)self;
    PyObject *plane_from, *tops_from;
    Py_ssize_t side, lines, count;
    double low, high, share;
    if (!PyArg_ParseTuple(given, "OnnOnddd", &plane_from, &side, &lines, &tops_from,
                          &count, &low, &high, &share))
        return NULL;
    Held held = {.held = 0};
    Plane p;
    if (hold_plane(&held, plane_from, &p) < 0)
        return refuse(&held, NULL);
    if (side < 2 || side > 32 || lines < side || lines % side || lines > p.height ||
        p.width < side || count < 1 || count > p.height)
        return refuse(&held, "squares of 2 to 32 pixels must lie in a plane");
    const int64_t *tops = hold_numbers(&held, tops_from, count);
    if (tops == NULL)
        return refuse(&held, NULL);
    for (Py_ssize_t i = 0; i < count; i++)
        if (tops[i] < 0 || tops[i] > p.height - lines)
            return refuse(&held, "bands must lie in a plane");
    Plane band = p;
    band.height = lines;
    band.width = p.width / side * side;
    Py_ssize_t each = lines / side * (band.width / side), n = count * each;
    int64_t *found = malloc(4 * (size_t)n * sizeof(int64_t));
    void *room = malloc((size_t)(3 * band.width + 2) * sizeof(int32_t));
    Quietest q = {0, 0, 0};
    int ready = found != NULL && room != NULL;
    if (ready) {
        Py_BEGIN_ALLOW_THREADS
        for (Py_ssize_t i = 0; i < count; i++) {
            int64_t *out = found + 2 * n;
            band.data = line(&p, tops[i]);
            (p.wide ? quiet_16 : quiet_8)(&band, side, out, room);
            memcpy(found + i * each, out, (size_t)each * sizeof(int64_t));
            memcpy(found + n + i * each, out + each, (size_t)each * sizeof(int64_t));
        }
        q = quietest_of(found, n, side, low, high, share);
        Py_END_ALLOW_THREADS
    }
    free(found);
    free(room);
    let_go(&held);
    if (!ready)
        return PyErr_NoMemory();
    return Py_BuildValue("nnL", q.usable, q.taken, (long long)q.sum);
}

PyObject *both_ways(PyObject *self, PyObject *given)
{
    (void)self;
    PyObject *plane_from, *out_from;
    Py_ssize_t step, rows, columns;
    if (!PyArg_ParseTuple(given, "OnnnO", &plane_from, &step, &rows, &columns, &out_from))
        return NULL;
    Held held = {.held = 0};
    Plane p;
    if (hold_plane(&held, plane_from, &p) < 0)
        return refuse(&held, NULL);
    if (step < 1 || rows < 1 || columns < 1 || p.height < 3 || p.width < 3 ||
        rows > p.height || columns > p.width)
        return refuse(&held, "a plane must have three lines, and a pixel for each tile");
    int64_t *out = hold_numbers(&held, out_from, 2 * rows * columns);
    if (out == NULL)
        return refuse(&held, NULL);
    Py_BEGIN_ALLOW_THREADS
    read_ways(&p, step, rows, columns, out);
    Py_END_ALLOW_THREADS
    return done(&held);
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
    if (hold_plane(&held, plane_from, &p) < 0)
        return refuse(&held, NULL);
    if (rows < 1 || columns < 1 || rows > 256 || columns > 256 || p.height < 1 ||
        p.width < 1 || p.height > 32768 || p.width > 32768)
        return refuse(&held, "tiles want a plane of 1 to 32768 pixels each way");
    int64_t *out = hold_numbers(&held, out_from, 2 * rows * columns);
    if (out == NULL)
        return refuse(&held, NULL);
    int32_t room[4 * 256];
    Py_BEGIN_ALLOW_THREADS
    read_moments(&p, rows, columns, out, room);
    Py_END_ALLOW_THREADS
    return done(&held);
}

PyObject *edge_counts(PyObject *self, PyObject *given)
{
    (void)self;
    PyObject *plane_from, *out_from;
    Py_ssize_t scale, step, bins;
    int down, shift;
    if (!PyArg_ParseTuple(given, "OnnpinO", &plane_from, &scale, &step, &down, &shift,
                          &bins, &out_from))
        return NULL;
    Held held = {.held = 0};
    Plane p;
    if (hold_plane(&held, plane_from, &p) < 0)
        return refuse(&held, NULL);
    if (scale < 1 || scale > 256 || step < scale || step % scale || shift < 0 ||
        shift > 62 || bins < 1 || bins > PAIRS || p.height < scale || p.width < scale)
        return refuse(&held, "steps must be whole squares, within the plane");
    int64_t *out = hold_numbers(&held, out_from, 2 * bins);
    if (out == NULL)
        return refuse(&held, NULL);
    int64_t *room = malloc(3 * (size_t)(p.width / step + 1) * sizeof(int64_t));
    Edges e = {scale, step, shift, bins, calloc(4 * (size_t)bins, sizeof(uint32_t))};
    int ready = room != NULL && e.counts != NULL;
    if (ready) {
        Py_BEGIN_ALLOW_THREADS
        read_edges(&p, &e, down, room, out);
        Py_END_ALLOW_THREADS
    }
    free(room);
    free(e.counts);
    if (ready)
        return done(&held);
    let_go(&held);
    return PyErr_NoMemory();
}
