/* How surely it becomes brighter outwards on circles around each place of a map.
 *
 * In single precision, each operation rounded by itself and in a fixed order: the
 * numbers are the same whatever the machine has.
 */
#include "planes.h"
#include "exact.h"

#define MOST_RADII 16

/* Of one part of one circle: whole px to its places, shares of the next px, and which
 * way is outwards. */
typedef struct {
    Py_ssize_t right, down;
    float more_right, more_down, x, y;
} Part;

/* What lies between two lines, outwards. */
CLONES static void between_lines(const float *restrict across, const float *restrict down,
                                 Py_ssize_t next, const Part *p, Py_ssize_t n,
                                 float *restrict out)
{
    const float *restrict low_across = across + next, *restrict low_down = down + next;
    float x = p->x, y = p->y, share = p->more_down;
    for (Py_ssize_t c = 0; c < n; c++) {
        float up = x * across[c] + y * down[c];
        float low = x * low_across[c] + y * low_down[c];
        out[c] = up + share * (low - up);
    }
}

CLONES static void between_places(const float *restrict line, float share, Py_ssize_t n,
                                  float *restrict out)
{
    for (Py_ssize_t c = 0; c < n; c++)
        out[c] = line[c] + share * (line[c + 1] - line[c]);
}

CLONES static void keep_most(const float *restrict one, Py_ssize_t n, float *restrict out)
{
    for (Py_ssize_t c = 0; c < n; c++)
        out[c] = out[c] > one[c] ? out[c] : one[c];
}

CLONES static void keep_least(const float *restrict one, Py_ssize_t n,
                              float *restrict out)
{
    for (Py_ssize_t c = 0; c < n; c++)
        out[c] = out[c] < one[c] ? out[c] : one[c];
}

typedef struct {
    Py_ssize_t h, w, radii, parts, margin;
    const float *across, *down; /* with a margin all around */
    const Part *all;
} Rings;

/* room: radii * parts lines, and one line and a place more. */
static void ring_lines(const Rings *r, float *out, float *room)
{
    Py_ssize_t w = r->w, wide = w + 2 * r->margin, map = r->h * w;
    float *line = room + r->radii * r->parts * w;
    for (Py_ssize_t y = 0; y < r->h; y++) {
        for (Py_ssize_t k = 0; k < r->radii * r->parts; k++) {
            const Part *p = &r->all[k];
            Py_ssize_t at = (y + r->margin + p->down) * wide + r->margin + p->right;
            between_lines(r->across + at, r->down + at, wide, p, w + 1, line);
            between_places(line, p->more_right, w, room + k * w);
        }
        /* A spot need not be a circle: each part lies where it is surest. */
        for (Py_ssize_t k = 0; k < r->radii; k++)
            for (Py_ssize_t i = 0; i < r->parts; i++) {
                float *to = out + k * map + y * w, *most = i ? line : to;
                memcpy(most, room + (k * r->parts + i) * w, (size_t)w * sizeof(float));
                if (k)
                    keep_most(room + ((k - 1) * r->parts + i) * w, w, most);
                if (k + 1 < r->radii)
                    keep_most(room + ((k + 1) * r->parts + i) * w, w, most);
                if (i)
                    keep_least(line, w, to);
            }
    }
}

PyObject *closed_rings(PyObject *self, PyObject *given)
{
    (void)self;
    PyObject *across, *down, *whole, *shares, *out_from;
    Rings r;
    if (!PyArg_ParseTuple(given, "(nnnn)nOOOOO", &r.radii, &r.parts, &r.h, &r.w,
                          &r.margin, &across, &down, &whole, &shares, &out_from))
        return NULL;
    Held held = {.held = 0};
    if (r.h < 1 || r.w < 1 || r.h > 4096 || r.w > 4096 || r.margin < 0 ||
        r.margin > 256 || r.radii < 1 || r.radii > MOST_RADII || r.parts < 1 ||
        r.parts > 64)
        return refuse(&held, "rings of another size are wanted");
    Py_ssize_t padded = (r.h + 2 * r.margin) * (r.w + 2 * r.margin);
    Py_ssize_t count = r.radii * r.parts;
    const int64_t *places;
    const float *weights;
    float *out;
    if ((r.across = hold_floats(&held, across, padded, 0)) == NULL ||
        (r.down = hold_floats(&held, down, padded, 0)) == NULL ||
        (places = hold_numbers(&held, whole, 2 * count)) == NULL ||
        (weights = hold_floats(&held, shares, 4 * count, 0)) == NULL ||
        (out = hold_floats(&held, out_from, r.radii * r.h * r.w, 1)) == NULL)
        return refuse(&held, NULL);
    for (Py_ssize_t k = 0; k < 2 * count; k++)
        if (places[k] < -r.margin || places[k] >= r.margin)
            return refuse(&held, "rings of another size are wanted");
    Part *all = malloc((size_t)count * sizeof(Part));
    float *room = malloc((size_t)((count + 1) * r.w + 1) * sizeof(float));
    if (all == NULL || room == NULL) {
        free(all);
        free(room);
        let_go(&held);
        return PyErr_NoMemory();
    }
    for (Py_ssize_t k = 0; k < count; k++) {
        const float *own = weights + 4 * k;
        all[k] = (Part){places[2 * k], places[2 * k + 1], own[0], own[1], own[2], own[3]};
    }
    r.all = all;
    Py_BEGIN_ALLOW_THREADS
    ring_lines(&r, out, room);
    Py_END_ALLOW_THREADS
    free(all);
    free(room);
    return done(&held);
}
