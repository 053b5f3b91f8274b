/* What the files of this extension share.
 *
 * Written to the stable interface of CPython 3.11 and the buffer protocol, so that one
 * build serves every later version and no numpy headers are wanted. The interpreter's
 * lock is released while a plane is read. Planes are counted in whole numbers, and what
 * cannot be is counted one operation after another: results do not depend on the
 * instruction set. The Python files beside these give the same without a compiler.
 */
#ifndef QC_PLANES_H
#define QC_PLANES_H

#define PY_SSIZE_T_CLEAN
#define Py_LIMITED_API 0x030B0000
#include <Python.h>
#include <math.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#if defined(__GNUC__) && !defined(__clang__)
/* Whoever builds Python may have chosen less; these loops want their vectors. */
#pragma GCC optimize("O3")
#endif

/* A build for any x86-64 that still uses what the machine has. It wants a loader that
 * picks functions at start, which glibc's does. */
#if defined(__x86_64__) && defined(__GNUC__) && !defined(__clang__) && defined(__GLIBC__)
#define CLONES __attribute__((target_clones("avx2", "default")))
#else
#define CLONES
#endif

#if defined(__GNUC__)
#pragma GCC visibility push(hidden)
#endif

typedef struct {
    const char *data;
    Py_ssize_t height, width, stride; /* stride in bytes, either sign */
    int wide;                         /* 0: 8-bit codes, 1: 16-bit */
} Plane;

#if defined(__GNUC__) && __BYTE_ORDER__ == __ORDER_LITTLE_ENDIAN__
#define LOW_FIRST 1
typedef uint16_t __attribute__((aligned(1), may_alias)) Two;
typedef uint32_t __attribute__((aligned(1), may_alias)) WideTwo;
#else
#define LOW_FIRST 0
typedef uint16_t Two;
typedef uint32_t WideTwo;
#endif

static inline const char *line(const Plane *p, Py_ssize_t y)
{
    return p->data + y * p->stride;
}

static inline int64_t code_at(const Plane *p, const char *row, Py_ssize_t x)
{
    return p->wide ? ((const uint16_t *)row)[x] : ((const uint8_t *)row)[x];
}

static inline int same_shape(const Plane *a, const Plane *b)
{
    return a->height == b->height && a->width == b->width && a->wide == b->wide;
}

/* Asks for a line's bytes before they are wanted: they come from another core, which has
 * decoded them, and lines are too short for the processor to see them coming. */
static inline void ask_for(const char *row, Py_ssize_t bytes)
{
#if defined(__GNUC__)
    for (Py_ssize_t at = 0; at < bytes; at += 64)
        __builtin_prefetch(row + at);
#else
    (void)row, (void)bytes;
#endif
}

/* Puts the value of rank k in its place: smaller ones before it, larger behind. What is
 * random is told by adding, not by branches, which a processor would guess wrongly. */
#define RANKED(NAME, TYPE)                                                             \
    static inline Py_ssize_t NAME##_parted(TYPE *v, Py_ssize_t low, Py_ssize_t high,   \
                                           TYPE pivot, int equal)                      \
    {                                                                                  \
        Py_ssize_t i = low;                                                            \
        for (Py_ssize_t x = low; x <= high; x++) {                                     \
            TYPE kept = v[x];                                                          \
            v[x] = v[i];                                                               \
            v[i] = kept;                                                               \
            i += equal ? kept <= pivot : kept < pivot;                                 \
        }                                                                              \
        return i;                                                                      \
    }                                                                                  \
    static TYPE NAME(TYPE *v, Py_ssize_t n, Py_ssize_t k)                              \
    {                                                                                  \
        Py_ssize_t low = 0, high = n - 1;                                              \
        while (low < high) {                                                           \
            TYPE a = v[low], b = v[low + (high - low) / 2], c = v[high];               \
            TYPE least = a < b ? a : b, most = a < b ? b : a;                          \
            TYPE pivot = c < least ? least : c > most ? most : c;                      \
            Py_ssize_t first = NAME##_parted(v, low, high, pivot, 0);                  \
            if (k < first) {                                                           \
                high = first - 1;                                                      \
                continue;                                                              \
            }                                                                          \
            Py_ssize_t last = NAME##_parted(v, first, high, pivot, 1);                 \
            if (k < last)                                                              \
                break;                                                                 \
            low = last > first ? last : first + 1; /* the latter only with NaN */      \
        }                                                                              \
        return v[k];                                                                   \
    }

/* How many n-ths of pixel x lie in tile i of n along a side. */
int64_t covered(Py_ssize_t x, Py_ssize_t side, Py_ssize_t i, Py_ssize_t n);
/* Of each cell its first and last pixel, and how much of both it has: four numbers. */
void find_places(Py_ssize_t n, Py_ssize_t columns, int32_t *places);

/* A smaller picture of a plane that is read line by line. */
typedef struct {
    char *data;
    Py_ssize_t height, width, stride;
    Py_ssize_t down, across; /* whole pixels of the plane in one; 0: parts */
    Py_ssize_t next;         /* its line that is made next */
    int narrow;              /* codes of 16-bit planes end at 1023 */
    void *room;
    int64_t *cells;
} Small;

/* ------------------------------------------------------------------ Python's buffers */

#define PAIRS 65536 /* codes of 16 bits, and pairs of codes of 8 */

/* What one call holds of Python's buffers. */
typedef struct {
    Py_buffer views[8]; /* no call wants more arrays */
    int held;
} Held;

int is_format(const Py_buffer *view, const char *allowed);
/* These return -1 or NULL with an exception set; what they hold, `done` or `refuse` lets
 * go. `numbers_of` returns how many int64 there are. */
int plane_of(PyObject *from, Py_buffer *view, Plane *p);
Py_ssize_t numbers_of(PyObject *from, Py_buffer *view);
int hold_plane(Held *held, PyObject *from, Plane *p);
int64_t *hold_numbers(Held *held, PyObject *from, Py_ssize_t count);
void *hold_items(Held *held, PyObject *from, Py_ssize_t count, const char *format,
                 int written);
float *hold_floats(Held *held, PyObject *from, Py_ssize_t count, int written);
uint8_t *hold_bytes(Held *held, PyObject *from, Py_ssize_t count, int written);
double *hold_doubles(Held *held, PyObject *from, Py_ssize_t count, int written);
void let_go(Held *held);
PyObject *refuse(Held *held, const char *why);
PyObject *done(Held *held);

/* `no_small` lets go of what `small_of` has taken, but not of the view. */
int small_of(PyObject *from, Py_buffer *view, const Plane *p, Small *small);
void no_small(Small *small);
void add_to_small(const Plane *p, Small *small, Py_ssize_t y);
void read_area(const Plane *p, Py_ssize_t rows, Py_ssize_t columns, int64_t *out,
               int32_t *room);

/* ------------------------------------------------------------------ calls */

PyObject *luma_pass(PyObject *self, PyObject *given);
PyObject *area_mean(PyObject *self, PyObject *given);
PyObject *quiet_blocks(PyObject *self, PyObject *given);
PyObject *quietest(PyObject *self, PyObject *given);
PyObject *both_ways(PyObject *self, PyObject *given);
PyObject *tile_moments(PyObject *self, PyObject *given);
PyObject *tile_contrast(PyObject *self, PyObject *given);
PyObject *tile_variance(PyObject *self, PyObject *given);
PyObject *area_sums(PyObject *self, PyObject *given);
PyObject *scaled_codes(PyObject *self, PyObject *given);
PyObject *edge_steps(PyObject *self, PyObject *given);
PyObject *common_motion(PyObject *self, PyObject *given);
PyObject *smooth_small(PyObject *self, PyObject *given);
PyObject *patch_sums(PyObject *self, PyObject *given);
PyObject *weigh_patches(PyObject *self, PyObject *given);
PyObject *first_vote(PyObject *self, PyObject *given);
PyObject *between(PyObject *self, PyObject *given);
PyObject *pair_sums(PyObject *self, PyObject *given);
PyObject *lag_sums(PyObject *self, PyObject *given);
PyObject *across_sums(PyObject *self, PyObject *given);
PyObject *copy_bands(PyObject *self, PyObject *given);
PyObject *channel_look(PyObject *self, PyObject *given);
PyObject *channel_range(PyObject *self, PyObject *given);
PyObject *channel_places(PyObject *self, PyObject *given);
PyObject *light_cells(PyObject *self, PyObject *given);
PyObject *light_table(PyObject *self, PyObject *given);
PyObject *light_level(PyObject *self, PyObject *given);
PyObject *light_strips(PyObject *self, PyObject *given);
PyObject *light_lines(PyObject *self, PyObject *given);
PyObject *light_share(PyObject *self, PyObject *given);
PyObject *most_apart(PyObject *self, PyObject *given);
PyObject *screen_light(PyObject *self, PyObject *given);
PyObject *place_turns(PyObject *self, PyObject *given);
PyObject *beyond_cross(PyObject *self, PyObject *given);
PyObject *fit_sums(PyObject *self, PyObject *given);
PyObject *rim_sums(PyObject *self, PyObject *given);
PyObject *shrunk_steps(PyObject *self, PyObject *given);
PyObject *apply_rims(PyObject *self, PyObject *given);
PyObject *solved_rims(PyObject *self, PyObject *given);
PyObject *middles(PyObject *self, PyObject *given);
PyObject *left_over(PyObject *self, PyObject *given);
PyObject *shifted_ways(PyObject *self, PyObject *given);
PyObject *laid_pair(PyObject *self, PyObject *given);
PyObject *closed_rings(PyObject *self, PyObject *given);
PyObject *shot_look(PyObject *self, PyObject *given);
PyObject *shot_near(PyObject *self, PyObject *given);
PyObject *stray_lines(PyObject *self, PyObject *given);
PyObject *few_codes(PyObject *self, PyObject *given);
PyObject *half_light(PyObject *self, PyObject *given);
PyObject *light_step(PyObject *self, PyObject *given);
PyObject *sudden_places(PyObject *self, PyObject *given);
PyObject *round_part(PyObject *self, PyObject *given);
PyObject *patch_looks(PyObject *self, PyObject *given);
PyObject *grid_colours(PyObject *self, PyObject *given);
PyObject *band_tints(PyObject *self, PyObject *given);
PyObject *closed_stops(PyObject *self, PyObject *given);
PyObject *pile_up(PyObject *self, PyObject *given);
PyObject *near_burnt(PyObject *self, PyObject *given);
PyObject *bright_maps(PyObject *self, PyObject *given);
PyObject *bright_squares(PyObject *self, PyObject *given);
PyObject *bright_groups(PyObject *self, PyObject *given);
PyObject *bright_blocks(PyObject *self, PyObject *given);

#if defined(__GNUC__)
#pragma GCC visibility pop
#endif

#endif
