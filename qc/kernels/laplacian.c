/* Sums of the Laplacian and of its square in tiles, line by line; vectors.c has what is
 * faster where a processor can do it.
 */
#include "laplacian.h"

/* ------------------------------------------------------------------ tile by tile */

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

/* Summed over a tile, all differences but those across its border cancel. */
#define BORDERS(NAME, CODE, SUM_OF)                                                    \
    static void NAME(const CODE *a, const CODE *b, const CODE *c, Py_ssize_t width,    \
                     const Tiles *tiles, Py_ssize_t row, int first, int last)          \
    {                                                                                  \
        for (Py_ssize_t j = 0; j < tiles->columns; j++) {                              \
            Py_ssize_t x0 = tiles->across[j], x1 = tiles->across[j + 1];               \
            if (x0 == x1)                                                              \
                continue;                                                              \
            int64_t before = x0 > 0 ? b[x0 - 1] : b[width > 1 ? 1 : 0];                \
            int64_t after = x1 < width ? b[x1] : b[width > 1 ? width - 2 : 0];         \
            int64_t total = (after - b[x1 - 1]) - (b[x0] - before);                    \
            if (first)                                                                 \
                total -= SUM_OF(b, x0, x1) - SUM_OF(a, x0, x1);                        \
            if (last)                                                                  \
                total += SUM_OF(c, x0, x1) - SUM_OF(b, x0, x1);                        \
            tiles->total[row * tiles->columns + j] += total;                           \
        }                                                                              \
    }
BORDERS(borders_of_8, uint8_t, sum_8)
BORDERS(borders_of_16, uint16_t, sum_16)

#define LAPLACIAN(NAME, CODE, SQUARES_OF)                                              \
    CLONES static void NAME(const CODE *a, const CODE *b, const CODE *c,               \
                            Py_ssize_t width, const Tiles *tiles, Py_ssize_t row)      \
    {                                                                                  \
        for (Py_ssize_t j = 0; j < tiles->columns; j++) {                              \
            Py_ssize_t x0 = tiles->across[j], x1 = tiles->across[j + 1];               \
            if (x0 == x1)                                                              \
                continue;                                                              \
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
            tiles->squares[row * tiles->columns + j] +=                                \
                (int64_t)(squares + SQUARES_OF(a, b, c, x0, x1));                      \
        }                                                                              \
    }
LAPLACIAN(squares_in_8, uint8_t, squares_8)
LAPLACIAN(squares_in_10, uint16_t, squares_10)
LAPLACIAN(squares_in_16, uint16_t, squares_16)

/* ------------------------------------------------------------------ lines and tiles */

void set_tiles(Tiles *tiles, const Plane *p, Py_ssize_t rows, Py_ssize_t columns,
               int64_t *sums, Py_ssize_t *across, uint32_t *lanes)
{
    memset(tiles, 0, sizeof(*tiles));
    tiles->rows = rows;
    tiles->columns = columns;
    tiles->total = sums;
    tiles->squares = sums + rows * columns;
    tiles->across = across;
    tiles->lanes[0] = lanes;
    tiles->lanes[1] = lanes + LANES_ROOM(p) / 2 / sizeof(uint32_t);
    for (Py_ssize_t j = 0; j <= columns; j++)
        across[j] = p->width * j / columns;
    tiles->by_vectors = fits_vectors(p, tiles);
}

/* Of each field, which tile its next line is in, and at which line the tile ends. */
void begin_tiles(const Plane *p, Tiles *tiles, Py_ssize_t step)
{
    size_t bytes = (size_t)(tiles->rows * tiles->columns) * sizeof(int64_t);
    memset(tiles->total, 0, bytes);
    memset(tiles->squares, 0, bytes);
    memset(tiles->lanes[0], 0, LANES_ROOM(p));
    for (Py_ssize_t field = 0; field < step; field++) {
        tiles->row[field] = -1;
        tiles->end[field] = 0;
        tiles->lines[field] = (p->height - field + step - 1) / step;
        tiles->waiting[field] = 0;
    }
}

/* The lines above and below within the same field, mirrored at its border. Tile i
 * begins at line n * i / rows; there may be more tiles than lines. */
void add_line(const Plane *p, Tiles *tiles, Py_ssize_t y, Py_ssize_t step, int narrow,
              Counted *counted)
{
    int field = step == 2 ? (int)(y & 1) : 0;
    Py_ssize_t k = step == 2 ? y >> 1 : y, n = tiles->lines[field];
    Py_ssize_t up = k > 0 ? k - 1 : (n > 1 ? 1 : 0);
    Py_ssize_t down = k + 1 < n ? k + 1 : (n > 1 ? n - 2 : 0);
    const char *above = line(p, up * step + field), *here = line(p, y);
    const char *below = line(p, down * step + field);
    int first = tiles->end[field] <= k;
    while (tiles->end[field] <= k) {
        tiles->row[field]++;
        tiles->end[field] = n * (tiles->row[field] + 1) / tiles->rows;
    }
    Py_ssize_t row = tiles->row[field], width = p->width;
    int last = tiles->end[field] == k + 1;
    if (!p->wide) {
        const uint8_t *a = (const uint8_t *)above, *b = (const uint8_t *)here;
        const uint8_t *c = (const uint8_t *)below;
        borders_of_8(a, b, c, width, tiles, row, first, last);
        if (tiles->by_vectors)
            add_to_lanes(p, tiles, field, a, b, c, last, counted);
        else
            squares_in_8(a, b, c, width, tiles, row);
        return;
    }
    const uint16_t *a = (const uint16_t *)above, *b = (const uint16_t *)here;
    const uint16_t *c = (const uint16_t *)below;
    borders_of_16(a, b, c, width, tiles, row, first, last);
    if (counted != NULL)
        squares_and_codes(a, b, c, width, tiles, row, counted);
    else if (narrow)
        squares_in_10(a, b, c, width, tiles, row);
    else
        squares_in_16(a, b, c, width, tiles, row);
}
