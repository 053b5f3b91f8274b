/* One pass over a plane: how often each code occurs, sums of the Laplacian on a grid of
 * tiles (laplacian.c), and a small area-averaged picture (small.c).
 */
#include "laplacian.h"

#define MANY (1 << 18)
#define MOST 0x7fffffff
#define AHEAD 2 /* lines */

/* ------------------------------------------------------------------ histograms */

/* Two neighbours are counted at once: half as many additions, and equal neighbours do
 * not wait for each other's sum. Worth its large table in large pictures only. */
static void count_pairs(const uint8_t *row, Py_ssize_t n, uint32_t *pairs, uint32_t *odd)
{
    Py_ssize_t x = 0;
    for (const Two *two = (const Two *)row; x + 8 <= n; x += 8, two += 4) {
        pairs[two[0]]++;
        pairs[two[1]]++;
        pairs[two[2]]++;
        pairs[two[3]]++;
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

/* All bits that occur in a line. */
CLONES static uint16_t bits_of(const uint16_t *row, Py_ssize_t n)
{
    uint16_t seen = 0;
    for (Py_ssize_t x = 0; x < n; x++)
        seen |= row[x];
    return seen;
}

/* Four tables by turns, for the same reason; returns all bits that occurred. Codes are
 * cut to the table's size, a power of two: the caller looks at the bits. */
static uint64_t count_16(const uint16_t *row, Py_ssize_t n, uint32_t *tables, size_t size)
{
    uint64_t last = size - 1;
    uint32_t seen = bits_of(row, n);
    uint32_t *second = tables + APART(size), *third = second + APART(size);
    uint32_t *fourth = third + APART(size);
    Py_ssize_t x = 0;
    if (seen <= last)
        for (; x + 4 <= n; x += 4) {
            tables[row[x]]++;
            second[row[x + 1]]++;
            third[row[x + 2]]++;
            fourth[row[x + 3]]++;
        }
    for (; x < n; x++)
        tables[row[x] & last]++;
    return seen;
}

/* ------------------------------------------------------------------ the pass */

typedef struct {
    size_t size;      /* codes of a table */
    int pairs;        /* 8 bits: one table of pairs, and one of single codes behind it */
    uint32_t *tables; /* else four by turns */
    uint32_t *single;
} Counter;

static int new_counter(Counter *c, const Plane *p, Py_ssize_t bins)
{
    c->size = p->wide ? PAIRS : 256;
    if (p->wide && bins > 0 && (bins & (bins - 1)) == 0)
        c->size = (size_t)bins;
    c->pairs = !p->wide && p->height > MANY / (p->width + 1) &&
               p->height < MOST / (p->width + 1);
    c->tables = calloc(c->pairs ? PAIRS + 256 : 4 * APART(c->size), sizeof(uint32_t));
    c->single = c->pairs && c->tables != NULL ? c->tables + PAIRS : NULL;
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
    if (c->pairs) {
        take_apart(c->tables, c->single);
        for (size_t i = 0; i < n; i++)
            counts[i] += c->single[i];
        return;
    }
    for (size_t i = 0; i < n; i++)
        for (size_t k = 0; k < 4; k++)
            counts[i] += c->tables[k * APART(c->size) + i];
}

static uint64_t count_line(const Plane *p, const Counter *c, const char *row)
{
    if (p->wide)
        return count_16((const uint16_t *)row, p->width, c->tables, c->size);
    if (c->pairs)
        count_pairs((const uint8_t *)row, p->width, c->tables, c->single);
    else
        count_8((const uint8_t *)row, p->width, c->tables);
    return 0;
}

/* Codes and squares of each line at once. Returns 0 where a code has more than 10 bits:
 * such a plane wants to be read again, the other way. */
static int read_together(const Plane *p, const Counter *counter, Tiles *tiles,
                         Py_ssize_t step, Small *small)
{
    Counted counted = {.tables = counter->tables};
    begin_tiles(p, tiles, step);
    if (small != NULL)
        small->narrow = p->wide;
    for (Py_ssize_t y = 0; p->wide && y < step; y++)
        counted.seen |= bits_of((const uint16_t *)line(p, y), p->width);
    for (Py_ssize_t y = 0; y < p->height && counted.seen < CODES; y++) {
        add_line(p, tiles, y, step, 1, &counted);
        if (small != NULL)
            add_to_small(p, small, y);
    }
    if (counted.seen < CODES)
        return 1;
    memset(counter->tables, 0, 4 * APART(CODES) * sizeof(uint32_t));
    if (small != NULL)
        small->next = small->narrow = 0;
    return 0;
}

static void read_plane(const Plane *p, Counter *counter, int64_t *counts,
                       Py_ssize_t bins, Tiles *tiles, Py_ssize_t step, Small *small)
{
    uint64_t seen = 0;
    int narrow = bins <= CODES;
    int together = p->wide ? counter->size == CODES : counter->pairs;
    together = together && tiles->by_vectors;
    if (together && read_together(p, counter, tiles, step, small)) {
        finish_counts(counter, counts, bins);
        return;
    }
    begin_tiles(p, tiles, step);
    for (Py_ssize_t y = 0; y < p->height; y++) {
        const char *row = line(p, y);
        if (y + AHEAD < p->height)
            ask_for(line(p, y + AHEAD), p->width << p->wide);
        seen |= count_line(p, counter, row);
        add_line(p, tiles, y, step, narrow, NULL);
        if (small != NULL)
            add_to_small(p, small, y);
    }
    if (p->wide && narrow && seen >= CODES) {
        /* The sums once more, with room for such codes. */
        begin_tiles(p, tiles, step);
        for (Py_ssize_t y = 0; y < p->height; y++)
            add_line(p, tiles, y, step, 0, NULL);
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
    uint32_t *lanes = malloc(LANES_ROOM(p));
    int ready = across != NULL && lanes != NULL && new_counter(&counter, p, bins);
    if (ready) {
        Py_BEGIN_ALLOW_THREADS
        Tiles tiles;
        set_tiles(&tiles, p, rows, columns, sums, across, lanes);
        memset(counts, 0, (size_t)bins * sizeof(int64_t));
        begin_tiles(p, &tiles, 1);
        if (p->width > 0)
            read_plane(p, &counter, counts, bins, &tiles,
                       interlaced && p->height > 1 ? 2 : 1, small);
        Py_END_ALLOW_THREADS
    }
    free(counter.tables);
    free(across);
    free(lanes);
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
