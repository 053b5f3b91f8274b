/* What pairs of looks left over, summed up, and one step of the search for what stays.
 *
 * In single precision, each product rounded by itself and added in a fixed order: the
 * numbers are the same whatever the machine has.
 */
#include "planes.h"

#if defined(__clang__)
#pragma STDC FP_CONTRACT OFF
#elif defined(__GNUC__)
#pragma GCC optimize("fp-contract=off")
#endif

typedef struct {
    const float *moves, *left, *trust; /* trust may be NULL: all alike */
    const float *down, *across;        /* slopes so far; NULL: none yet */
    float clip, scale;
} Rims;

/* Where a pair says nothing, nothing is left over, and it has no weight. */
CLONES static void only_known(const float *restrict left, const float *restrict trust,
                              float clip, Py_ssize_t n, float *restrict rest,
                              float *restrict weights)
{
    for (Py_ssize_t x = 0; x < n; x++) {
        float there = left[x], weight = trust[x];
        int known = fabsf(there) < clip;
        rest[x] = known ? there : 0.0f;
        weights[x] = known ? weight : 0.0f;
    }
}

/* What the slopes so far leave over makes a place count for less. */
CLONES static void weigh_line(const float *restrict right, const float *restrict low,
                              const float *restrict rest, const float *restrict down,
                              const float *restrict across, float scale, Py_ssize_t n,
                              float *restrict weights)
{
    for (Py_ssize_t x = 0; x < n; x++) {
        float off = right[x] * across[x];
        off += low[x] * down[x];
        off += rest[x];
        off *= scale;
        off *= off;
        off += 1.0f;
        weights[x] = weights[x] / off;
    }
}

/* Adds a line of one pair to the five sums. */
CLONES static void add_line(const float *restrict right, const float *restrict low,
                            const float *restrict left, const float *restrict weights,
                            Py_ssize_t n, float *restrict out, Py_ssize_t apart)
{
    float *restrict a0 = out, *restrict a1 = out + apart, *restrict a2 = a1 + apart;
    float *restrict b0 = a2 + apart, *restrict b1 = b0 + apart;
    for (Py_ssize_t x = 0; x < n; x++) {
        float weight = weights[x], rest = left[x];
        float wx = weight * right[x], wy = weight * low[x];
        a0[x] += wx * right[x];
        a1[x] += wx * low[x];
        a2[x] += wy * low[x];
        b0[x] += wx * rest;
        b1[x] += wy * rest;
    }
}

/* room: three lines. */
static void add_rims(const Rims *r, Py_ssize_t n, Py_ssize_t h, Py_ssize_t w, float *out,
                     float *room)
{
    Py_ssize_t all = h * w;
    float *rest = room, *weights = room + w, *alike = room + 2 * w;
    memset(out, 0, 5 * (size_t)all * sizeof(float));
    for (Py_ssize_t x = 0; x < w; x++)
        alike[x] = 1.0f;
    for (Py_ssize_t y = 0; y < h; y++) {
        Py_ssize_t at = y * w;
        for (Py_ssize_t k = 0; k < n; k++) {
            const float *right = r->moves + 2 * k * all + at, *low = right + all;
            only_known(r->left + k * all + at, r->trust ? r->trust + k * all + at : alike,
                       r->clip, w, rest, weights);
            if (r->down != NULL)
                weigh_line(right, low, rest, r->down + at, r->across + at, r->scale, w,
                           weights);
            add_line(right, low, rest, weights, w, out + at, all);
        }
    }
    for (Py_ssize_t i = 3 * all; i < 5 * all; i++)
        out[i] = -out[i];
}

PyObject *rim_sums(PyObject *self, PyObject *given)
{
    (void)self;
    PyObject *moves, *left, *trust, *slopes, *out_from;
    Py_ssize_t n, h, w;
    float *out;
    Rims r = {0};
    if (!PyArg_ParseTuple(given, "(nnn)OOOOffO", &n, &h, &w, &moves, &left, &trust,
                          &slopes, &r.clip, &r.scale, &out_from))
        return NULL;
    Held held = {.held = 0};
    Py_ssize_t all = h * w;
    if (n < 0 || h < 1 || w < 1 || h > 4096 || w > 4096 || n > 4096)
        return refuse(&held, "so many rims are not summed up");
    if ((r.moves = hold_floats(&held, moves, 2 * n * all, 0)) == NULL ||
        (r.left = hold_floats(&held, left, n * all, 0)) == NULL ||
        (trust != Py_None &&
         (r.trust = hold_floats(&held, trust, n * all, 0)) == NULL) ||
        (slopes != Py_None &&
         (r.down = hold_floats(&held, slopes, 2 * all, 0)) == NULL) ||
        (out = hold_floats(&held, out_from, 5 * all, 1)) == NULL)
        return refuse(&held, NULL);
    r.across = r.down ? r.down + all : NULL;
    float *room = malloc(3 * (size_t)w * sizeof(float));
    if (room == NULL) {
        let_go(&held);
        return PyErr_NoMemory();
    }
    Py_BEGIN_ALLOW_THREADS
    add_rims(&r, n, h, w, out, room);
    Py_END_ALLOW_THREADS
    free(room);
    return done(&held);
}

/* Differences of places two apart; none at the border, where above or below is NULL. */
CLONES static void two_apart(const float *restrict g, const float *restrict above,
                             const float *restrict below, Py_ssize_t n,
                             float *restrict up, float *restrict along)
{
    if (above != NULL && below != NULL)
        for (Py_ssize_t x = 0; x < n; x++)
            up[x] = below[x] - above[x];
    else
        memset(up, 0, (size_t)n * sizeof(float));
    along[0] = along[n - 1] = 0.0f;
    for (Py_ssize_t x = 1; x < n - 1; x++)
        along[x] = g[x + 1] - g[x - 1];
}

CLONES static void both_products(const float *restrict one, const float *restrict by,
                                 const float *restrict two, const float *restrict with,
                                 Py_ssize_t n, float *restrict out)
{
    for (Py_ssize_t x = 0; x < n; x++)
        out[x] = one[x] * by[x] + two[x] * with[x];
}

CLONES static void apply_line(const float *restrict g, const float *restrict near_g,
                              float near, float own, const float *restrict before,
                              const float *restrict after, const float *restrict side,
                              Py_ssize_t n, float *restrict out)
{
    for (Py_ssize_t x = 0; x < n; x++)
        out[x] = near_g[x] * -near + g[x] * own;
    if (before)
        for (Py_ssize_t x = 0; x < n; x++)
            out[x] += before[x];
    if (after)
        for (Py_ssize_t x = 0; x < n; x++)
            out[x] -= after[x];
    for (Py_ssize_t x = 2; x < n; x++)
        out[x] += side[x - 1];
    for (Py_ssize_t x = 0; x + 2 < n; x++)
        out[x] -= side[x + 1];
}

/* room: two maps, and two lines. */
static void apply_all(const float *g, const float *near_g, const float *a, float near,
                      float own, Py_ssize_t h, Py_ssize_t w, float *out, float *room)
{
    Py_ssize_t all = h * w;
    const float *wide = a, *mixed = a + all, *tall = a + 2 * all;
    float *ways = room, *sides = room + all, *up = room + 2 * all, *along = up + w;
    for (Py_ssize_t y = 0; y < h; y++) {
        Py_ssize_t at = y * w;
        two_apart(g + at, y ? g + at - w : NULL, y + 1 < h ? g + at + w : NULL, w, up,
                  along);
        both_products(tall + at, up, mixed + at, along, w, ways + at);
        both_products(wide + at, along, mixed + at, up, w, sides + at);
    }
    for (Py_ssize_t y = 0; y < h; y++) {
        Py_ssize_t at = y * w;
        apply_line(g + at, near_g + at, near, own, y >= 2 ? ways + at - w : NULL,
                   y + 2 < h ? ways + at + w : NULL, sides + at, w, out + at);
    }
}

PyObject *apply_rims(PyObject *self, PyObject *given)
{
    (void)self;
    PyObject *g_from, *near_from, *a_from, *out_from;
    Py_ssize_t h, w;
    float near, own;
    const float *g, *near_g, *a;
    float *out;
    if (!PyArg_ParseTuple(given, "(nn)OOOffO", &h, &w, &g_from, &near_from, &a_from,
                          &near, &own, &out_from))
        return NULL;
    Held held = {.held = 0};
    if (h < 1 || w < 1 || h > 4096 || w > 4096)
        return refuse(&held, "a map of another size is wanted");
    if ((g = hold_floats(&held, g_from, h * w, 0)) == NULL ||
        (near_g = hold_floats(&held, near_from, h * w, 0)) == NULL ||
        (a = hold_floats(&held, a_from, 3 * h * w, 0)) == NULL ||
        (out = hold_floats(&held, out_from, h * w, 1)) == NULL)
        return refuse(&held, NULL);
    float *room = malloc(2 * (size_t)((h + 1) * w) * sizeof(float));
    if (room == NULL) {
        let_go(&held);
        return PyErr_NoMemory();
    }
    Py_BEGIN_ALLOW_THREADS
    apply_all(g, near_g, a, near, own, h, w, out, room);
    Py_END_ALLOW_THREADS
    free(room);
    return done(&held);
}
