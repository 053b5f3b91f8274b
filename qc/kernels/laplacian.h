/* Sums of the Laplacian and of its square in tiles, line by line. */
#ifndef QC_LAPLACIAN_H
#define QC_LAPLACIAN_H

#include "planes.h"

#if LOW_FIRST && defined(__x86_64__)
#include <immintrin.h>
#define HAS_VECTORS 1
#else
#define HAS_VECTORS 0
#endif

/* Processors take places a multiple of 4096 bytes apart for the same one. */
#define APART(size) ((size) + 80)
#define CODES 1024 /* of 10 bits */

/* Codes that are counted while their squares are summed. */
typedef struct {
    uint32_t *tables; /* 8 bits: of pairs, with one of single codes behind it; 10 bits:
                       * four by turns, APART(CODES) from each other */
    unsigned seen;    /* 10 bits: all that occurred so far, and in the line below */
} Counted;

typedef struct {
    Py_ssize_t rows, columns;
    int64_t *total, *squares; /* rows x columns each */
    Py_ssize_t *across;       /* columns + 1 edges */
    Py_ssize_t row[2], end[2], lines[2];
    int by_vectors;     /* lines of 8 and 10 bits fit vectors.c */
    uint32_t *lanes[2]; /* of each field, the lines of a tile that have come */
    int waiting[2];     /* how many lines that is */
} Tiles;

/* Bytes for the lanes of both fields. */
#define LANES_ROOM(p) (2 * ((size_t)(p)->width / 4 + 16) * sizeof(uint32_t))

/* `sums` holds both results, `across` the edges, `lanes` as much as LANES_ROOM says. */
void set_tiles(Tiles *tiles, const Plane *p, Py_ssize_t rows, Py_ssize_t columns,
               int64_t *sums, Py_ssize_t *across, uint32_t *lanes);
/* Begins with nothing counted; `step` is 2 where fields are apart. */
void begin_tiles(const Plane *p, Tiles *tiles, Py_ssize_t step);
/* Lines come in order, each once. `narrow`: codes of 16-bit planes end at 1023. Unless
 * `counted` is NULL, codes are counted too; planes must fit vectors.c, and be narrow. */
void add_line(const Plane *p, Tiles *tiles, Py_ssize_t y, Py_ssize_t step, int narrow,
              Counted *counted);

/* vectors.c */
int fits_vectors(const Plane *p, const Tiles *tiles);
void add_to_lanes(const Plane *p, Tiles *tiles, int field, const uint8_t *a,
                  const uint8_t *b, const uint8_t *c, int last, const Counted *counted);
void squares_and_codes(const uint16_t *a, const uint16_t *b, const uint16_t *c,
                       Py_ssize_t width, const Tiles *tiles, Py_ssize_t row,
                       Counted *counted);

#endif
