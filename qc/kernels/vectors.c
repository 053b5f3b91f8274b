/* Lines in AVX2: squares of the Laplacian, and codes counted in the same loop.
 *
 * Counting takes a store a code or a pair of codes, and a processor makes one a cycle.
 * That leaves most of a cycle to others, if they are mixed with it finely: two loops one
 * after the other take the sum of their times, one loop little more than counting alone.
 * Codes are fetched eight bytes at a time, since there are three addresses a cycle for
 * loads and stores together, and an addition in memory takes two of them.
 */
#include "laplacian.h"

#if HAS_VECTORS
#define AVX2 __attribute__((target("avx2")))
#define LOADED(from) _mm256_loadu_si256((const __m256i *)(from))

typedef uint64_t __attribute__((aligned(1), may_alias)) Eight; /* bytes */

AVX2 static inline __m256i laplacian_of(__m256i up, __m256i down, __m256i before,
                                        __m256i after, __m256i here)
{
    __m256i sides = _mm256_add_epi16(_mm256_add_epi16(up, down),
                                     _mm256_add_epi16(before, after));
    return _mm256_sub_epi16(sides, _mm256_slli_epi16(here, 2));
}

/* ------------------------------------------------------------------ 8 bits */

/* Tiles are short: ending a vector loop at each of their edges costs as much as the loop.
 * Where all edges fall between lanes of four pixels, squares are summed by lanes over the
 * lines of a tile, and by tiles only at its end. */
#define BYTES 32 /* pixels of a vector */
#define LANE 4
/* A lane's squares are at most 4 x 1020^2 a line. */
#define MOST_LINES 1024

/* 32 pixels, two at once as one number, the even one low and the odd one high. */
AVX2 static inline void lanes_of(const uint8_t *a, const uint8_t *b, const uint8_t *c,
                                 uint32_t *lanes)
{
    __m256i low = _mm256_set1_epi16(255);
    __m256i up = LOADED(a), down = LOADED(c), here = LOADED(b);
    __m256i even = _mm256_and_si256(here, low), odd = _mm256_srli_epi16(here, 8);
    __m256i evens =
        laplacian_of(_mm256_and_si256(up, low), _mm256_and_si256(down, low),
                     _mm256_and_si256(LOADED(b - 1), low), odd, even);
    __m256i odds =
        laplacian_of(_mm256_srli_epi16(up, 8), _mm256_srli_epi16(down, 8), even,
                     _mm256_srli_epi16(LOADED(b + 1), 8), odd);
    __m256i sum = _mm256_add_epi32(_mm256_madd_epi16(evens, evens),
                                   _mm256_madd_epi16(odds, odds));
    sum = _mm256_add_epi32(LOADED(lanes), sum);
    _mm256_storeu_si256((__m256i *)lanes, sum);
}

/* 32 codes as pairs of neighbours. Where all pairs are the same (bars beside a picture,
 * burnt areas), each addition would wait for the one before. */
AVX2 static inline void count_bytes(const uint8_t *codes, uint32_t *pairs)
{
    __m256i here = LOADED(codes);
    __m256i first = _mm256_broadcastw_epi16(_mm256_castsi256_si128(here));
    if (_mm256_movemask_epi8(_mm256_cmpeq_epi16(here, first)) == -1) {
        pairs[*(const Two *)codes] += BYTES / 2;
        return;
    }
    for (int i = 0; i < BYTES; i += 8) {
        uint64_t eight = *(const Eight *)(codes + i);
        uint32_t low = (uint32_t)eight, high = (uint32_t)(eight >> 32);
        pairs[low & 0xffff]++;
        pairs[low >> 16]++;
        pairs[high & 0xffff]++;
        pairs[high >> 16]++;
    }
}

/* The line of a plane wider than two vectors. Its ends are laid out apart, with the
 * mirrored pixels beside them; what lies behind the width falls into spare lanes. */
AVX2 static inline void lanes_of_line(const uint8_t *a, const uint8_t *b,
                                      const uint8_t *c, Py_ssize_t width,
                                      uint32_t *lanes, uint32_t *pairs)
{
    uint8_t up[BYTES] = {0}, down[BYTES] = {0}, here[BYTES + 2] = {b[1]};
    memcpy(here + 1, b, BYTES + 1);
    lanes_of(a, here + 1, c, lanes);
    if (pairs != NULL)
        count_bytes(b, pairs);
    Py_ssize_t x = BYTES;
    for (; x + BYTES < width; x += BYTES) {
        lanes_of(a + x, b + x, c + x, lanes + x / LANE);
        if (pairs != NULL)
            count_bytes(b + x, pairs);
    }
    size_t rest = (size_t)(width - x);
    memcpy(up, a + x, rest);
    memcpy(down, c + x, rest);
    memset(here, 0, sizeof(here));
    memcpy(here, b + x - 1, rest + 1);
    here[rest + 1] = b[width - 2];
    lanes_of(up, here + 1, down, lanes + x / LANE);
    if (pairs != NULL)
        for (; x < width; x++)
            pairs[PAIRS + b[x]]++;
}

AVX2 static void squares_alone(const uint8_t *a, const uint8_t *b, const uint8_t *c,
                               Py_ssize_t width, uint32_t *lanes)
{
    lanes_of_line(a, b, c, width, lanes, NULL);
}

AVX2 static void squares_and_pairs(const uint8_t *a, const uint8_t *b, const uint8_t *c,
                                   Py_ssize_t width, uint32_t *lanes, uint32_t *pairs)
{
    lanes_of_line(a, b, c, width, lanes, pairs);
}

static void empty_lanes(const Plane *p, Tiles *tiles, int field)
{
    uint32_t *lanes = tiles->lanes[field];
    int64_t *squares = tiles->squares + tiles->row[field] * tiles->columns;
    for (Py_ssize_t j = 0; j < tiles->columns; j++) {
        uint64_t all = 0;
        Py_ssize_t end = tiles->across[j + 1] / LANE;
        for (Py_ssize_t i = tiles->across[j] / LANE; i < end; i++)
            all += lanes[i];
        squares[j] += (int64_t)all;
    }
    memset(lanes, 0, LANES_ROOM(p) / 2);
    tiles->waiting[field] = 0;
}

void add_to_lanes(const Plane *p, Tiles *tiles, int field, const uint8_t *a,
                  const uint8_t *b, const uint8_t *c, int last, const Counted *counted)
{
    if (counted != NULL)
        squares_and_pairs(a, b, c, p->width, tiles->lanes[field], counted->tables);
    else
        squares_alone(a, b, c, p->width, tiles->lanes[field]);
    if (++tiles->waiting[field] == MOST_LINES || last)
        empty_lanes(p, tiles, field);
}

/* ------------------------------------------------------------------ 10 bits */

#define WORDS 16 /* pixels of a vector */
/* A tile's squares are summed in 32 bits along a line: at most 2 x 4092^2 a vector and
 * lane, 128 vectors of them. */
#define MOST_ACROSS 1920

/* With four tables by turns equal neighbours wait little for each other; looking for them
 * first, as with bytes, costs more than it gains. */
static inline void count_words(const uint16_t *codes, uint32_t *tables)
{
    for (int i = 0; i < WORDS; i += 4) {
        uint64_t four = *(const Eight *)(codes + i);
        uint32_t low = (uint32_t)four, high = (uint32_t)(four >> 32);
        tables[low & 0xffff]++;
        tables[APART(CODES) + (low >> 16)]++;
        tables[2 * APART(CODES) + (high & 0xffff)]++;
        tables[3 * APART(CODES) + (high >> 16)]++;
    }
}

AVX2 static inline uint64_t sum_of(__m256i lanes)
{
    uint32_t parts[8];
    uint64_t all = 0;
    _mm256_storeu_si256((__m256i *)parts, lanes);
    for (int i = 0; i < 8; i++)
        all += parts[i];
    return all;
}

AVX2 static inline __m256i laplacian_at(const uint16_t *a, const uint16_t *b,
                                        __m256i below)
{
    return laplacian_of(LOADED(a), below, LOADED(b - 1), LOADED(b + 1), LOADED(b));
}

/* The first and the last vector of a line lack a neighbour, which is mirrored. */
AVX2 static inline __m256i before_first(const uint16_t *b)
{
    __m256i here = LOADED(b), low = _mm256_permute2x128_si256(here, here, 0x08);
    return _mm256_insert_epi16(_mm256_alignr_epi8(here, low, 14), (short)b[1], 0);
}

AVX2 static inline __m256i after_last(const uint16_t *b)
{
    __m256i here = LOADED(b), high = _mm256_permute2x128_si256(here, here, 0x81);
    return _mm256_insert_epi16(_mm256_alignr_epi8(high, here, 2), (short)b[WORDS - 2],
                               WORDS - 1);
}

AVX2 void squares_and_codes(const uint16_t *a, const uint16_t *b, const uint16_t *c,
                            Py_ssize_t width, const Tiles *tiles, Py_ssize_t row,
                            Counted *counted)
{
    /* At `few - n`: n pixels of a vector, and none of the others. */
    static const int16_t masks[2 * WORDS] = {-1, -1, -1, -1, -1, -1, -1, -1,
                                             -1, -1, -1, -1, -1, -1, -1, -1};
    const int16_t *few = masks + WORDS;
    int64_t *squares = tiles->squares + row * tiles->columns;
    uint32_t *tables = counted->tables;
    __m256i seen = LOADED(c);
    __m256i l = laplacian_of(LOADED(a), seen, before_first(b), LOADED(b + 1), LOADED(b));
    __m256i over = _mm256_madd_epi16(l, l);
    count_words(b, tables);
    Py_ssize_t x = WORDS, last = tiles->columns - 1;
    for (Py_ssize_t j = 0; j <= last; j++) {
        /* The last vector is for behind the loop. */
        Py_ssize_t end = j < last ? tiles->across[j + 1] : width - 1;
        __m256i sum = over;
        for (; x + WORDS <= end; x += WORDS) {
            __m256i below = LOADED(c + x);
            seen = _mm256_or_si256(seen, below);
            l = laplacian_at(a + x, b + x, below);
            sum = _mm256_add_epi32(sum, _mm256_madd_epi16(l, l));
            count_words(b + x, tables);
        }
        if (j < last && x < end) {
            /* Across the edge of two tiles. */
            __m256i below = LOADED(c + x), inside = LOADED(few - (end - x));
            seen = _mm256_or_si256(seen, below);
            l = laplacian_at(a + x, b + x, below);
            sum = _mm256_add_epi32(sum, _mm256_madd_epi16(_mm256_and_si256(inside, l), l));
            over = _mm256_madd_epi16(_mm256_andnot_si256(inside, l), l);
            count_words(b + x, tables);
            x += WORDS;
        } else
            over = _mm256_setzero_si256();
        squares[j] += (int64_t)sum_of(sum);
    }
    /* The last vector ends with the line; some of its pixels may have been in another. */
    Py_ssize_t at = width - WORDS;
    __m256i below = LOADED(c + at), known = LOADED(few - (x - at));
    seen = _mm256_or_si256(seen, below);
    l = laplacian_of(LOADED(a + at), below, LOADED(b + at - 1), after_last(b + at),
                     LOADED(b + at));
    l = _mm256_andnot_si256(known, l);
    squares[last] += (int64_t)sum_of(_mm256_madd_epi16(l, l));
    for (; x < width; x++)
        tables[b[x]]++;
    uint16_t bits[WORDS];
    _mm256_storeu_si256((__m256i *)bits, seen);
    for (int i = 0; i < WORDS; i++)
        counted->seen |= bits[i];
}

/* ------------------------------------------------------------------ both */

int fits_vectors(const Plane *p, const Tiles *tiles)
{
    int fits = __builtin_cpu_supports("avx2") && p->width >= 2 * BYTES;
    for (Py_ssize_t j = 0; j < tiles->columns; j++) {
        Py_ssize_t from = tiles->across[j], across = tiles->across[j + 1] - from;
        if (p->wide)
            fits &= across >= WORDS && across <= MOST_ACROSS;
        else
            fits &= from % LANE == 0 && across % LANE == 0;
    }
    return fits;
}
#else
int fits_vectors(const Plane *p, const Tiles *tiles)
{
    (void)p, (void)tiles;
    return 0;
}

void add_to_lanes(const Plane *p, Tiles *tiles, int field, const uint8_t *a,
                  const uint8_t *b, const uint8_t *c, int last, const Counted *counted)
{
    (void)p, (void)tiles, (void)field, (void)a, (void)b, (void)c, (void)last;
    (void)counted;
}

void squares_and_codes(const uint16_t *a, const uint16_t *b, const uint16_t *c,
                       Py_ssize_t width, const Tiles *tiles, Py_ssize_t row,
                       Counted *counted)
{
    (void)a, (void)b, (void)c, (void)width, (void)tiles, (void)row, (void)counted;
}
#endif
