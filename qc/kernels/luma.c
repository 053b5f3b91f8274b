/* One pass over a plane: how often each code occurs, sums of the Laplacian on a grid of
 * tiles, and a small area-averaged picture.
 */
#include "planes.h"

#define MANY (1 << 18)
#define MOST 0x7fffffff
/* Processors take places a multiple of 4096 bytes apart for the same one. */
#define APART(size) ((size) + 80)

/* ------------------------------------------------------------------ histograms */

/* Two neighbours are counted at once: half as many additions, and equal neighbours do
 * not wait for each other's sum. Worth its large table in large pictures only. */
static void count_pairs(const uint8_t *row, Py_ssize_t n, uint32_t *pairs, uint32_t *odd)
{
    Py_ssize_t x = 0;
    for (; x + 8 <= n; x += 8) {
        uint64_t v;
        memcpy(&v, row + x, 8);
        pairs[v & 0xffff]++;
        pairs[(v >> 16) & 0xffff]++;
        pairs[(v >> 32) & 0xffff]++;
        pairs[v >> 48]++;
    }
    for (; x < n; x++)
        odd[row[x]]++;
}

static void count_8(const uint8_t *row, Py_ssize_t n, uint32_t *tables)
{
    Py_ssize_t x = 0;
    for (; x + 4 <= n; x += 4) {
        tables[row[x]]++;
        tables[APART(256) + row[x + 1]]++;
        tables[2 * APART(256) + row[x + 2]]++;
        tables[3 * APART(256) + row[x + 3]]++;
    }
    for (; x < n; x++)
        tables[row[x]]++;
}

/* Four tables by turns, for the same reason; returns all bits that occurred. Codes are
 * cut to the table's size, a power of two: the caller looks at the bits. */
static uint64_t count_16(const uint16_t *row, Py_ssize_t n, uint32_t *tables, size_t size)
{
    uint64_t seen = 0, last = size - 1;
    uint32_t *second = tables + APART(size), *third = second + APART(size);
    uint32_t *fourth = third + APART(size);
    Py_ssize_t x = 0;
    for (; x + 4 <= n; x += 4) {
        uint64_t v;
        memcpy(&v, row + x, 8);
        seen |= v;
        tables[v & last]++;
        second[(v >> 16) & last]++;
        third[(v >> 32) & last]++;
        fourth[(v >> 48) & last]++;
    }
    for (; x < n; x++) {
        seen |= row[x];
        tables[row[x] & last]++;
    }
    return (seen | seen >> 16 | seen >> 32 | seen >> 48) & 0xffff;
}

/* ------------------------------------------------------------------ Laplacian */

#define EDGE(b, x, n) ((n) > 1 ? ((x) == 0 ? 2 * (int64_t)(b)[1] : 2 * (int64_t)(b)[(n) - 2]) : 2 * (int64_t)(b)[0])

/* Squares of the Laplacian of one line from x0 to x1, both within the inside of the
 * line. BLOCK squares stay within SUM. */
#define SQUARES(NAME, CODE, LAP, SUM, BLOCK)                                           \
    static inline uint64_t NAME(const CODE *a, const CODE *b, const CODE *c,           \
                                Py_ssize_t x0, Py_ssize_t x1)                          \
    {                                                                                  \
        uint64_t all = 0;                                                              \
        for (Py_ssize_t x = x0; x < x1;) {                                             \
            Py_ssize_t end = x1 - x > BLOCK ? x + BLOCK : x1;                          \
            SUM sum = 0;                                                               \
            for (; x < end; x++) {                                                     \
                LAP l = (LAP)(a[x] + c[x] + b[x - 1] + b[x + 1] - 4 * b[x]);           \
                sum += (SUM)l * l;                                                     \
            }                                                                          \
            all += (uint64_t)sum;                                                      \
        }                                                                              \
        return all;                                                                    \
    }

/* 10 bits: at most 4092^2 each, 128 of them under 2^31. Deeper: 262140^2 is for 64. */
SQUARES(squares_10, uint16_t, int16_t, int32_t, 128)
SQUARES(squares_16, uint16_t, int32_t, int64_t, 65536)

#if LOW_FIRST
/* Two pixels at once as one number, the even one low and the odd one high: taking them
 * apart is cheaper than widening. At most 1020^2 each, 1024 of them under 2^31. */
static inline uint64_t squares_8(const uint8_t *a, const uint8_t *b, const uint8_t *c,
                                 Py_ssize_t x0, Py_ssize_t x1)
{
    uint64_t all = 0;
    Py_ssize_t x = x0;
    while (x + 2 <= x1) {
        Py_ssize_t n = (x1 - x > 2048 ? 2048 : x1 - x) / 2;
        const Two *above = (const Two *)(a + x), *below = (const Two *)(c + x);
        const Two *before = (const Two *)(b + x - 1), *here = (const Two *)(b + x);
        const Two *after = (const Two *)(b + x + 1);
        int32_t evens = 0, odds = 0;
        for (Py_ssize_t i = 0; i < n; i++) {
            int even = here[i] & 255, odd = here[i] >> 8;
            int16_t l = (int16_t)((above[i] & 255) + (below[i] & 255) +
                                  (before[i] & 255) + odd - 4 * even);
            int16_t r = (int16_t)((above[i] >> 8) + (below[i] >> 8) + even +
                                  (after[i] >> 8) - 4 * odd);
            evens += (int32_t)l * l;
            odds += (int32_t)r * r;
        }
        all += (uint64_t)evens + (uint64_t)odds;
        x += 2 * n;
    }
    if (x < x1) {
        int l = a[x] + c[x] + b[x - 1] + b[x + 1] - 4 * b[x];
        all += (uint64_t)(l * l);
    }
    return all;
}
#else
SQUARES(squares_8, uint8_t, int16_t, int32_t, 1024)
#endif

#define SUM_LINE(NAME, CODE)                                                           \
    static inline int64_t NAME(const CODE *row, Py_ssize_t x0, Py_ssize_t x1)          \
    {                                                                                  \
        int64_t all = 0;                                                               \
        for (Py_ssize_t x = x0; x < x1;) {                                             \
            Py_ssize_t end = x1 - x > 32768 ? x + 32768 : x1;                          \
            uint32_t sum = 0;                                                          \
            for (; x < end; x++)                                                       \
                sum += row[x];                                                         \
            all += sum;                                                                \
        }                                                                              \
        return all;                                                                    \
    }
SUM_LINE(sum_8, uint8_t)
SUM_LINE(sum_16, uint16_t)

typedef struct {
    Py_ssize_t rows, columns;
    int64_t *total, *squares; /* rows x columns each */
    Py_ssize_t *across;       /* columns + 1 edges */
    Py_ssize_t row[2], end[2], lines[2];
} Tiles;

#define LAPLACIAN(NAME, CODE, SQUARES_OF, SUM_OF)                                      \
    CLONES static void NAME(const CODE *a, const CODE *b, const CODE *c,               \
                            Py_ssize_t width, const Tiles *tiles, Py_ssize_t row,      \
                            int first, int last)                                       \
    {                                                                                  \
        for (Py_ssize_t j = 0; j < tiles->columns; j++) {                              \
            Py_ssize_t x0 = tiles->across[j], x1 = tiles->across[j + 1];               \
            Py_ssize_t at = row * tiles->columns + j;                                  \
            if (x0 == x1)                                                              \
                continue;                                                              \
            /* Summed over a tile, all differences but those across its border         \
             * cancel. */                                                              \
            int64_t before = x0 > 0 ? b[x0 - 1] : b[width > 1 ? 1 : 0];                \
            int64_t after = x1 < width ? b[x1] : b[width > 1 ? width - 2 : 0];         \
            int64_t total = (after - b[x1 - 1]) - (b[x0] - before);                    \
            if (first)                                                                 \
                total -= SUM_OF(b, x0, x1) - SUM_OF(a, x0, x1);                        \
            if (last)                                                                  \
                total += SUM_OF(c, x0, x1) - SUM_OF(b, x0, x1);                        \
            tiles->total[at] += total;                                                 \
            uint64_t squares = 0;                                                      \
            if (x0 < 1) {                                                              \
                int64_t l = (int64_t)a[0] + c[0] + EDGE(b, 0, width) - 4 * (int64_t)b[0]; \
                squares = (uint64_t)(l * l);                                           \
                x0 = 1;                                                                \
            }                                                                          \
            if (x1 == width && x0 < width) {                                           \
                Py_ssize_t x = --x1;                                                   \
                int64_t l = (int64_t)a[x] + c[x] + EDGE(b, x, width) - 4 * (int64_t)b[x]; \
                squares += (uint64_t)(l * l);                                          \
            }                                                                          \
            tiles->squares[at] += (int64_t)(squares + SQUARES_OF(a, b, c, x0, x1));    \
        }                                                                              \
    }
LAPLACIAN(laplacian_8, uint8_t, squares_8, sum_8)
LAPLACIAN(laplacian_10, uint16_t, squares_10, sum_16)
LAPLACIAN(laplacian_16, uint16_t, squares_16, sum_16)

/* Of each field, which tile its next line is in, and at which line the tile ends. */
static void begin_tiles(const Plane *p, Tiles *tiles, Py_ssize_t step)
{
    size_t bytes = (size_t)(tiles->rows * tiles->columns) * sizeof(int64_t);
    memset(tiles->total, 0, bytes);
    memset(tiles->squares, 0, bytes);
    for (Py_ssize_t field = 0; field < step; field++) {
        tiles->row[field] = -1;
        tiles->end[field] = 0;
        tiles->lines[field] = (p->height - field + step - 1) / step;
    }
}

/* The lines above and below within the same field, mirrored at its border. Tile i
 * begins at line n * i / rows; there may be more tiles than lines. */
static void add_line(const Plane *p, Tiles *tiles, Py_ssize_t y, Py_ssize_t step,
                     int narrow)
{
    Py_ssize_t field = step == 2 ? y & 1 : 0, k = step == 2 ? y >> 1 : y;
    Py_ssize_t n = tiles->lines[field];
    Py_ssize_t up = k > 0 ? k - 1 : (n > 1 ? 1 : 0);
    Py_ssize_t down = k + 1 < n ? k + 1 : (n > 1 ? n - 2 : 0);
    const char *a = line(p, up * step + field), *b = line(p, y);
    const char *c = line(p, down * step + field);
    int first = tiles->end[field] <= k;
    while (tiles->end[field] <= k) {
        tiles->row[field]++;
        tiles->end[field] = n * (tiles->row[field] + 1) / tiles->rows;
    }
    Py_ssize_t row = tiles->row[field];
    int last = tiles->end[field] == k + 1;
    if (!p->wide)
        laplacian_8((const uint8_t *)a, (const uint8_t *)b, (const uint8_t *)c,
                    p->width, tiles, row, first, last);
    else if (narrow)
        laplacian_10((const uint16_t *)a, (const uint16_t *)b, (const uint16_t *)c,
                     p->width, tiles, row, first, last);
    else
        laplacian_16((const uint16_t *)a, (const uint16_t *)b, (const uint16_t *)c,
                     p->width, tiles, row, first, last);
}

/* ------------------------------------------------------------------ the pass */

typedef struct {
    size_t size;      /* codes of a table */
    int pairs;        /* 8 bits: one table of pairs, then one of single codes */
    uint32_t *tables; /* else four */
} Counter;

static int new_counter(Counter *c, const Plane *p, Py_ssize_t bins)
{
    c->size = p->wide ? PAIRS : 256;
    if (p->wide && bins > 0 && (bins & (bins - 1)) == 0)
        c->size = (size_t)bins;
    c->pairs = !p->wide && p->height > MANY / (p->width + 1) &&
               p->height < MOST / (p->width + 1);
    c->tables = calloc(c->pairs ? PAIRS + 256 : 4 * APART(c->size), sizeof(uint32_t));
    return c->tables != NULL;
}

/* Codes that the bit depth has not are rare: line by line, without haste. */
static void count_known(const Plane *p, int64_t *counts, Py_ssize_t bins)
{
    memset(counts, 0, (size_t)bins * sizeof(int64_t));
    for (Py_ssize_t y = 0; y < p->height; y++) {
        const uint16_t *row = (const uint16_t *)line(p, y);
        for (Py_ssize_t x = 0; x < p->width; x++)
            if (row[x] < bins)
                counts[row[x]]++;
    }
}

/* Codes in counts of pairs; a plane has fewer than 2^32 pixels, see new_counter. */
CLONES static void take_apart(const uint32_t *pairs, uint32_t *all)
{
    for (int i = 0; i < 256; i++) {
        const uint32_t *row = pairs + i * 256;
        uint32_t sum = 0;
        for (int j = 0; j < 256; j++) {
            sum += row[j];
            all[j] += row[j];
        }
        all[i] += sum;
    }
}

static void finish_counts(const Counter *c, int64_t *counts, Py_ssize_t bins)
{
    size_t n = (size_t)bins < c->size ? (size_t)bins : c->size;
    if (c->pairs)
        take_apart(c->tables, c->tables + PAIRS);
    for (size_t i = 0; i < n; i++)
        for (size_t k = 0; k < (c->pairs ? 1 : 4); k++)
            counts[i] += c->tables[c->pairs ? PAIRS + i : k * APART(c->size) + i];
}

static void read_plane(const Plane *p, Counter *counter, int64_t *counts,
                       Py_ssize_t bins, Tiles *tiles, Py_ssize_t step, Small *small)
{
    uint64_t seen = 0;
    int narrow = bins <= 1024;
    begin_tiles(p, tiles, step);
    for (Py_ssize_t y = 0; y < p->height; y++) {
        const char *row = line(p, y);
        if (p->wide)
            seen |= count_16((const uint16_t *)row, p->width, counter->tables,
                             counter->size);
        else if (counter->pairs)
            count_pairs((const uint8_t *)row, p->width, counter->tables,
                        counter->tables + PAIRS);
        else
            count_8((const uint8_t *)row, p->width, counter->tables);
        add_line(p, tiles, y, step, narrow);
        if (small != NULL)
            add_to_small(p, small, y);
    }
    if (p->wide && narrow && seen > 1023) {
        /* The sums once more, with room for such codes. */
        begin_tiles(p, tiles, step);
        for (Py_ssize_t y = 0; y < p->height; y++)
            add_line(p, tiles, y, step, 0);
    }
    if (p->wide && seen >= counter->size)
        count_known(p, counts, bins);
    else
        finish_counts(counter, counts, bins);
}

/* ------------------------------------------------------------------ Python's side */

static int run_pass(const Plane *p, int64_t *counts, Py_ssize_t bins, int64_t *sums,
                    Py_ssize_t rows, Py_ssize_t columns, int interlaced, Small *small)
{
    Counter counter = {0};
    Py_ssize_t *across = malloc((size_t)(columns + 1) * sizeof(Py_ssize_t));
    int ready = across != NULL && new_counter(&counter, p, bins);
    if (ready) {
        Py_BEGIN_ALLOW_THREADS
        Tiles tiles = {rows, columns, sums, sums + rows * columns, across, {0}, {0}, {0}};
        for (Py_ssize_t j = 0; j <= columns; j++)
            across[j] = p->width * j / columns;
        memset(counts, 0, (size_t)bins * sizeof(int64_t));
        memset(sums, 0, 2 * (size_t)(rows * columns) * sizeof(int64_t));
        if (p->width > 0)
            read_plane(p, &counter, counts, bins, &tiles,
                       interlaced && p->height > 1 ? 2 : 1, small);
        Py_END_ALLOW_THREADS
    }
    free(counter.tables);
    free(across);
    return ready;
}

PyObject *luma_pass(PyObject *self, PyObject *given)
{
    (void)self;
    PyObject *plane_from, *counts_from, *sums_from, *small_from;
    Py_ssize_t rows, columns;
    int interlaced;
    if (!PyArg_ParseTuple(given, "OOOnnpO", &plane_from, &counts_from, &sums_from, &rows,
                          &columns, &interlaced, &small_from))
        return NULL;
    Py_buffer plane_view, counts_view, sums_view, small_view;
    Plane plane;
    Small small = {0};
    PyObject *answer = NULL;
    int with_small = small_from != Py_None;
    if (plane_of(plane_from, &plane_view, &plane) < 0)
        return NULL;
    Py_ssize_t bins = numbers_of(counts_from, &counts_view);
    if (bins < 0)
        goto no_counts;
    Py_ssize_t room = numbers_of(sums_from, &sums_view);
    if (room < 0)
        goto no_sums;
    if (rows < 1 || columns < 1 || bins > PAIRS || rows > room || columns > room ||
        room != 2 * rows * columns) {
        PyErr_SetString(PyExc_ValueError, "results do not fit the tiles or the codes");
        goto no_small;
    }
    if (with_small && small_of(small_from, &small_view, &plane, &small) < 0)
        goto no_small;
    if (run_pass(&plane, counts_view.buf, bins, sums_view.buf, rows, columns, interlaced,
                 with_small ? &small : NULL)) {
        Py_INCREF(Py_None);
        answer = Py_None;
    } else
        PyErr_NoMemory();
    if (with_small) {
        no_small(&small);
        PyBuffer_Release(&small_view);
    }
no_small:
    PyBuffer_Release(&sums_view);
no_sums:
    PyBuffer_Release(&counts_view);
no_counts:
    PyBuffer_Release(&plane_view);
    return answer;
}
