/* How much fine detail a plane has, and where: roughness of blocks, and second
 * differences along and down.
 */
#include "planes.h"

/* ------------------------------------------------------------------ detail */

/* Which blocks of a plane are quiet: the filter (1 -2 1) x (1 -2 1), its magnitude
 * summed, and the sum of each block's codes along with it. Up to 11 bits everything
 * fits 16: a magnitude is at most 16 times the code, four of them stay under 2^16 and
 * 32 codes as well. */
#define MOST_NARROW 2047
#define TOGETHER 4 /* lines */

/* rows: a line above, some lines and one below. Adds up the codes as well; returns all
 * their bits. */
#define SECOND(NAME, CODE)                                                             \
    CLONES static unsigned NAME##_one(const char *const *rows, Py_ssize_t n,           \
                                      int16_t *restrict out, uint16_t *restrict sums)  \
    {                                                                                  \
        const CODE *a = (const CODE *)rows[0], *b = (const CODE *)rows[1];             \
        const CODE *c = (const CODE *)rows[2];                                         \
        CODE bits = 0;                                                                 \
        for (Py_ssize_t x = 0; x < n; x++) {                                           \
            out[x] = (int16_t)(a[x] + c[x] - 2 * b[x]);                                \
            sums[x] = (uint16_t)(sums[x] + b[x]);                                      \
            bits |= b[x];                                                              \
        }                                                                              \
        return bits;                                                                   \
    }                                                                                  \
    CLONES static unsigned NAME##_four(                                                \
        const char *const *rows, Py_ssize_t n, int16_t *restrict one,                  \
        int16_t *restrict two, int16_t *restrict three, int16_t *restrict four,        \
        uint16_t *restrict sums)                                                       \
    {                                                                                  \
        const CODE *a = (const CODE *)rows[0], *b = (const CODE *)rows[1];             \
        const CODE *c = (const CODE *)rows[2], *d = (const CODE *)rows[3];             \
        const CODE *e = (const CODE *)rows[4], *f = (const CODE *)rows[5];             \
        CODE bits = 0;                                                                 \
        for (Py_ssize_t x = 0; x < n; x++) {                                           \
            one[x] = (int16_t)(a[x] + c[x] - 2 * b[x]);                                \
            two[x] = (int16_t)(b[x] + d[x] - 2 * c[x]);                                \
            three[x] = (int16_t)(c[x] + e[x] - 2 * d[x]);                              \
            four[x] = (int16_t)(d[x] + f[x] - 2 * e[x]);                               \
            sums[x] = (uint16_t)(sums[x] + b[x] + c[x] + d[x] + e[x]);                 \
            bits |= (CODE)(b[x] | c[x] | d[x] | e[x]);                                 \
        }                                                                              \
        return bits;                                                                   \
    }                                                                                  \
    static unsigned NAME(const char *const *rows, int lines, Py_ssize_t n,             \
                         int16_t *out, Py_ssize_t apart, uint16_t *sums)               \
    {                                                                                  \
        unsigned bits = 0;                                                             \
        if (lines == TOGETHER)                                                         \
            return NAME##_four(rows, n, out, out + apart, out + 2 * apart,             \
                               out + 3 * apart, sums);                                 \
        for (int k = 0; k < lines; k++)                                                \
            bits |= NAME##_one(rows + k, n, out + k * apart, sums);                    \
        return bits;                                                                   \
    }
SECOND(second_8, uint8_t)
SECOND(second_10, uint16_t)

static inline uint16_t bend_at(const int16_t *second, Py_ssize_t x)
{
    int16_t v = (int16_t)(second[x - 1] + second[x + 1] - 2 * second[x]);
    return (uint16_t)(v < 0 ? -v : v);
}

/* second: lines that lie `apart`. */
CLONES static void add_bends(const int16_t *second, Py_ssize_t apart, Py_ssize_t n,
                             uint32_t *rough)
{
    const int16_t *a = second, *b = a + apart, *c = b + apart, *d = c + apart;
    for (Py_ssize_t x = 0; x < n; x++)
        rough[x] += (uint16_t)(bend_at(a, x) + bend_at(b, x) + bend_at(c, x) +
                               bend_at(d, x));
}

CLONES static void second_wide(const uint16_t *a, const uint16_t *b, const uint16_t *c,
                               Py_ssize_t n, int32_t *out)
{
    for (Py_ssize_t x = 0; x < n; x++)
        out[x] = (int32_t)a[x] + c[x] - 2 * (int32_t)b[x];
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

/* A row of blocks from their columns' sums. */
#define TO_BLOCKS(NAME, SUM)                                                           \
    static void NAME(const uint32_t *rough, const SUM *sums, Py_ssize_t across,        \
                     Py_ssize_t side, int64_t *out, Py_ssize_t blocks)                 \
    {                                                                                  \
        for (Py_ssize_t i = 0; i < across; i++, rough += side, sums += side) {         \
            uint32_t r = 0, s = 0;                                                     \
            for (Py_ssize_t k = 0; k < side; k++) {                                    \
                r += rough[k];                                                         \
                s += sums[k];                                                          \
            }                                                                          \
            out[i] = r;                                                                \
            out[blocks + i] = s;                                                       \
        }                                                                              \
    }
TO_BLOCKS(blocks_narrow, uint16_t)
TO_BLOCKS(blocks_wide, uint32_t)

static void quiet_wide(const Plane *p, Py_ssize_t side, int64_t *out, uint32_t *room)
{
    Py_ssize_t n = p->width, h = p->height, across = n / side;
    uint32_t *rough = room, *sums = room + n;
    int32_t *second = (int32_t *)(sums + n) + 1;
    memset(room, 0, 2 * (size_t)n * sizeof(uint32_t));
    for (Py_ssize_t y = 0; y < h; y++) {
        const uint16_t *b = (const uint16_t *)line(p, y);
        second_wide((const uint16_t *)line(p, y > 0 ? y - 1 : 1), b,
                    (const uint16_t *)line(p, y + 1 < h ? y + 1 : h - 2), n, second);
        second[-1] = second[1];
        second[n] = second[n - 2];
        add_wide(second, b, n, rough, sums);
        if ((y + 1) % side)
            continue;
        blocks_wide(rough, sums, across, side, out, h / side * across);
        out += across;
        memset(room, 0, 2 * (size_t)n * sizeof(uint32_t));
    }
}

/* Returns 0 where a code is too large. */
static int quiet_narrow(const Plane *p, Py_ssize_t side, int64_t *out, uint32_t *room)
{
    Py_ssize_t n = p->width, h = p->height, across = n / side, apart = n + 2;
    uint32_t *rough = room;
    uint16_t *sums = (uint16_t *)(rough + n);
    int16_t *second = (int16_t *)(sums + n) + 1;
    unsigned bits = 0;
    for (Py_ssize_t top = 0; top < h; top += side, out += across) {
        memset(rough, 0, (size_t)n * sizeof(uint32_t));
        memset(sums, 0, (size_t)n * sizeof(uint16_t));
        for (Py_ssize_t y = top; y < top + side; y += TOGETHER) {
            int lines = top + side - y < TOGETHER ? (int)(top + side - y) : TOGETHER;
            const char *rows[TOGETHER + 2];
            rows[0] = line(p, y > 0 ? y - 1 : 1);
            for (int k = 1; k <= lines; k++)
                rows[k] = line(p, y + k - 1);
            rows[lines + 1] = line(p, y + lines < h ? y + lines : h - 2);
            bits |= (p->wide ? second_10 : second_8)(rows, lines, n, second, apart, sums);
            for (int k = 0; k < TOGETHER; k++) {
                int16_t *row = second + k * apart;
                if (k >= lines)
                    memset(row - 1, 0, (size_t)apart * sizeof(int16_t));
                row[-1] = row[1];
                row[n] = row[n - 2];
            }
            add_bends(second, apart, n, rough);
        }
        if (bits > MOST_NARROW)
            return 0;
        blocks_narrow(rough, sums, across, side, out, h / side * across);
    }
    return 1;
}

#define QUIET_ROOM(n) ((size_t)(4 * (n) + 8) * sizeof(uint32_t))

/* out: roughness of all blocks, then their sums. */
static void quiet(const Plane *p, Py_ssize_t side, int64_t *out, void *room)
{
    if (!quiet_narrow(p, side, out, room))
        quiet_wide(p, side, out, room);
}

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
    void *room = malloc(QUIET_ROOM(p.width));
    if (room == NULL) {
        let_go(&held);
        return PyErr_NoMemory();
    }
    Py_BEGIN_ALLOW_THREADS
    quiet(&p, side, out, room);
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
CLONES static Quietest quietest_of(int64_t *rough, Py_ssize_t n, Py_ssize_t side, double low,
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
    void *room = malloc(QUIET_ROOM(band.width));
    Quietest q = {0, 0, 0};
    int ready = found != NULL && room != NULL;
    if (ready) {
        Py_BEGIN_ALLOW_THREADS
        for (Py_ssize_t i = 0; i < count; i++) {
            int64_t *out = found + 2 * n;
            band.data = line(&p, tops[i]);
            quiet(&band, side, out, room);
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
