/* One pass over a plane: how often each code occurs, sums of the Laplacian on a grid of
 * tiles, and a small area-averaged picture.
 */
#include "planes.h"

#define MANY (1 << 18)
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
    CLONES static uint64_t NAME(const CODE *a, const CODE *b, const CODE *c,           \
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

/* 8 bits: at most 1020^2 each, 1024 of them under 2^31. 10 bits: 4092^2, 128 of them.
 * Deeper: 262140^2 is for 64 bits. */
SQUARES(squares_8, uint8_t, int16_t, int32_t, 1024)
SQUARES(squares_10, uint16_t, int16_t, int32_t, 128)
SQUARES(squares_16, uint16_t, int32_t, int64_t, 65536)

#define SUM_LINE(NAME, CODE)                                                           \
    CLONES static int64_t NAME(const CODE *row, Py_ssize_t x0, Py_ssize_t x1)          \
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
} Tiles;

#define LAPLACIAN(NAME, CODE, SQUARES_OF, SUM_OF)                                      \
    static void NAME(const CODE *a, const CODE *b, const CODE *c, Py_ssize_t width,    \
                     const Tiles *tiles, Py_ssize_t row, int first, int last)          \
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
            Py_ssize_t ends[2] = {0, width - 1};                                       \
            for (int k = 0; k < (width > 1 ? 2 : 1); k++) {                            \
                Py_ssize_t x = ends[k];                                                \
                if (x < x0 || x >= x1)                                                 \
                    continue;                                                          \
                int64_t l = (int64_t)a[x] + c[x] + EDGE(b, x, width) - 4 * (int64_t)b[x]; \
                squares += (uint64_t)(l * l);                                          \
            }                                                                          \
            if (x0 < 1)                                                                \
                x0 = 1;                                                                \
            if (x1 > width - 1)                                                        \
                x1 = width - 1;                                                        \
            tiles->squares[at] += (int64_t)(squares + SQUARES_OF(a, b, c, x0, x1));    \
        }                                                                              \
    }
LAPLACIAN(laplacian_8, uint8_t, squares_8, sum_8)
LAPLACIAN(laplacian_10, uint16_t, squares_10, sum_16)
LAPLACIAN(laplacian_16, uint16_t, squares_16, sum_16)

/* The lines above and below within the same field, mirrored at its border. */
static void add_line(const Plane *p, const Tiles *tiles, Py_ssize_t y, Py_ssize_t step,
                     int narrow)
{
    Py_ssize_t field = y % step, k = y / step;
    Py_ssize_t n = (p->height - field + step - 1) / step;
    Py_ssize_t up = k > 0 ? k - 1 : (n > 1 ? 1 : 0);
    Py_ssize_t down = k + 1 < n ? k + 1 : (n > 1 ? n - 2 : 0);
    const char *a = line(p, up * step + field), *b = line(p, y);
    const char *c = line(p, down * step + field);
    /* Tile i begins at line n * i / rows. */
    Py_ssize_t row = (k * tiles->rows + tiles->rows - 1) / n;
    while (row > 0 && n * row / tiles->rows > k)
        row--;
    while (row + 1 < tiles->rows && n * (row + 1) / tiles->rows <= k)
        row++;
    int first = n * row / tiles->rows == k;
    int last = n * (row + 1) / tiles->rows == k + 1;
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

/* ------------------------------------------------------------------ small picture */

typedef struct {
    char *data;
    Py_ssize_t height, width, stride, down, across; /* pixels of the plane in one */
    void *columns;                                  /* a line of sums */
} Small;

/* Sums of lines, four at a time so that the sums are fetched less often. 256 codes of 8
 * bits fit 16, those of 16 bits 32. */
#define MEANS(NAME, CODE, SUM)                                                         \
    static inline void add_one_##NAME(const CODE *a, Py_ssize_t n, SUM *sums)          \
    {                                                                                  \
        for (Py_ssize_t x = 0; x < n; x++)                                             \
            sums[x] = (SUM)(sums[x] + a[x]);                                           \
    }                                                                                  \
    static inline void add_four_##NAME(const CODE *a, const CODE *b, const CODE *c,    \
                                       const CODE *d, Py_ssize_t n, SUM *sums)         \
    {                                                                                  \
        for (Py_ssize_t x = 0; x < n; x++)                                             \
            sums[x] = (SUM)(sums[x] + ((SUM)a[x] + (SUM)b[x]) +                        \
                            ((SUM)c[x] + (SUM)d[x]));                                  \
    }                                                                                  \
    /* Sums stay under 2^24 (the caller sees to it): whole in float. Rounded as        \
     * OpenCV's INTER_AREA does, halves to the even code. */                           \
    CLONES static void mean_line_##NAME(const Plane *p, const Small *small,            \
                                        Py_ssize_t y)                                  \
    {                                                                                  \
        SUM *sums = small->columns;                                                    \
        Py_ssize_t k = 0, n = p->width, down = small->down, across = small->across;    \
        memset(sums, 0, (size_t)n * sizeof(SUM));                                      \
        for (; k + 4 <= down; k += 4)                                                  \
            add_four_##NAME((const CODE *)line(p, y + k),                              \
                            (const CODE *)line(p, y + k + 1),                          \
                            (const CODE *)line(p, y + k + 2),                          \
                            (const CODE *)line(p, y + k + 3), n, sums);                \
        for (; k < down; k++)                                                          \
            add_one_##NAME((const CODE *)line(p, y + k), n, sums);                     \
        CODE *out = (CODE *)(small->data + y / down * small->stride);                  \
        float share = 1.0f / (float)(down * across);                                   \
        for (Py_ssize_t x = 0; x < small->width; x++, sums += across) {                \
            uint32_t sum = 0;                                                          \
            for (Py_ssize_t i = 0; i < across; i++)                                    \
                sum += sums[i];                                                        \
            out[x] = (CODE)rintf((float)sum * share);                                  \
        }                                                                              \
    }
MEANS(8, uint8_t, uint16_t)
MEANS(16, uint16_t, uint32_t)

/* Called line by line; works when the lines of one small line have come. */
static void add_to_small(const Plane *p, const Small *small, Py_ssize_t y)
{
    if ((y + 1) % small->down)
        return;
    if (p->wide)
        mean_line_16(p, small, y + 1 - small->down);
    else
        mean_line_8(p, small, y + 1 - small->down);
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
    c->pairs = !p->wide && p->height > MANY / (p->width + 1);
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

static void finish_counts(const Counter *c, int64_t *counts, Py_ssize_t bins)
{
    size_t n = (size_t)bins < c->size ? (size_t)bins : c->size;
    if (!c->pairs) {
        for (size_t i = 0; i < n; i++)
            for (size_t k = 0; k < 4; k++)
                counts[i] += c->tables[k * APART(c->size) + i];
        return;
    }
    int64_t all[256];
    for (int i = 0; i < 256; i++)
        all[i] = c->tables[PAIRS + i];
    for (int i = 0; i < 256; i++) {
        const uint32_t *row = c->tables + i * 256;
        int64_t sum = 0;
        for (int j = 0; j < 256; j++) {
            sum += row[j];
            all[j] += row[j];
        }
        all[i] += sum;
    }
    memcpy(counts, all, n * sizeof(int64_t));
}

static void read_plane(const Plane *p, Counter *counter, int64_t *counts,
                       Py_ssize_t bins, const Tiles *tiles, Py_ssize_t step,
                       Small *small)
{
    uint64_t seen = 0;
    int narrow = bins <= 1024;
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
        size_t bytes = (size_t)(tiles->rows * tiles->columns) * sizeof(int64_t);
        memset(tiles->total, 0, bytes);
        memset(tiles->squares, 0, bytes);
        for (Py_ssize_t y = 0; y < p->height; y++)
            add_line(p, tiles, y, step, 0);
    }
    if (p->wide && seen >= counter->size)
        count_known(p, counts, bins);
    else
        finish_counts(counter, counts, bins);
}

/* ------------------------------------------------------------------ Python's side */

static int small_of(PyObject *from, Py_buffer *view, const Plane *p, Small *small)
{
    if (PyObject_GetBuffer(from, view,
                           PyBUF_C_CONTIGUOUS | PyBUF_WRITABLE | PyBUF_FORMAT) < 0)
        return -1;
    int same = view->ndim == 2 && is_format(view, p->wide ? "H" : "B");
    if (same && view->shape[0] > 0 && view->shape[1] > 0) {
        small->data = view->buf;
        small->height = view->shape[0];
        small->width = view->shape[1];
        small->stride = view->shape[1] * view->itemsize;
        small->down = p->height / small->height;
        small->across = p->width / small->width;
        if (small->down * small->height == p->height &&
            small->across * small->width == p->width && small->down > 0 &&
            small->across > 0 && small->down * small->across <= 256) {
            small->columns = calloc((size_t)p->width, sizeof(uint32_t));
            if (small->columns != NULL)
                return 0;
            PyBuffer_Release(view);
            PyErr_NoMemory();
            return -1;
        }
    }
    PyBuffer_Release(view);
    PyErr_SetString(PyExc_ValueError,
                    "small picture must divide the plane, at most 256 pixels to one");
    return -1;
}

static int run_pass(const Plane *p, int64_t *counts, Py_ssize_t bins, int64_t *sums,
                    Py_ssize_t rows, Py_ssize_t columns, int interlaced, Small *small)
{
    Counter counter = {0};
    Py_ssize_t *across = malloc((size_t)(columns + 1) * sizeof(Py_ssize_t));
    int ready = across != NULL && new_counter(&counter, p, bins);
    if (ready) {
        Py_BEGIN_ALLOW_THREADS
        Tiles tiles = {rows, columns, sums, sums + rows * columns, across};
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
        free(small.columns);
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

PyObject *area_mean(PyObject *self, PyObject *given)
{
    (void)self;
    PyObject *plane_from, *small_from;
    if (!PyArg_ParseTuple(given, "OO", &plane_from, &small_from))
        return NULL;
    Py_buffer plane_view, small_view;
    Plane plane;
    Small small = {0};
    if (plane_of(plane_from, &plane_view, &plane) < 0)
        return NULL;
    if (small_of(small_from, &small_view, &plane, &small) < 0) {
        PyBuffer_Release(&plane_view);
        return NULL;
    }
    Py_BEGIN_ALLOW_THREADS
    for (Py_ssize_t y = 0; y < plane.height; y++)
        add_to_small(&plane, &small, y);
    Py_END_ALLOW_THREADS
    free(small.columns);
    PyBuffer_Release(&small_view);
    PyBuffer_Release(&plane_view);
    Py_RETURN_NONE;
}
