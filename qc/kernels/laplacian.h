/* Sums of the Laplacian and of its square in tiles, line by line. */
#ifndef QC_LAPLACIAN_H
#define QC_LAPLACIAN_H

#include "planes.h"

typedef struct {
    Py_ssize_t rows, columns;
    int64_t *total, *squares; /* rows x columns each */
    Py_ssize_t *across;       /* columns + 1 edges */
    Py_ssize_t row[2], end[2], lines[2];
    int by_lanes;       /* squares of 8-bit lines are summed by lanes of pixels first */
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
/* Lines come in order, each once. `narrow`: codes of 16-bit planes end at 1023. */
void add_line(const Plane *p, Tiles *tiles, Py_ssize_t y, Py_ssize_t step, int narrow);

#endif
