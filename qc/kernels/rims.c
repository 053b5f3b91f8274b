/* What pairs of looks left over, summed up, and one step of the search for what stays.
 *
 * In single precision, each product rounded by itself and added in a fixed order: the
 * numbers are the same whatever the machine has.
 */
#include "planes.h"
#include "exact.h"

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

/* Means of places and their neighbours, mirrored about the outermost. room: three
 * lines. */
CLONES static void across_line(const float *restrict g, Py_ssize_t n, float *restrict out)
{
    for (Py_ssize_t x = 1; x < n - 1; x++)
        out[x] = g[x - 1] + g[x] + g[x + 1];
    out[0] = g[1] + g[0] + g[1];
    out[n - 1] = g[n - 2] + g[n - 1] + g[n - 2];
}

CLONES static void mean_line(const float *restrict above, const float *restrict here,
                             const float *restrict below, Py_ssize_t n,
                             float *restrict out)
{
    for (Py_ssize_t x = 0; x < n; x++)
        out[x] = (above[x] + here[x] + below[x]) * (1.0f / 9.0f);
}

static void means_of(const float *g, Py_ssize_t h, Py_ssize_t w, float *out, float *room)
{
    float *above = room, *here = room + w, *below = room + 2 * w;
    across_line(g + w, w, above);
    across_line(g, w, here);
    for (Py_ssize_t y = 0; y < h; y++) {
        across_line(g + (y + 1 < h ? y + 1 : h - 2) * w, w, below);
        mean_line(above, here, below, w, out + y * w);
        float *kept = above;
        above = here;
        here = below;
        below = kept;
    }
}

CLONES static void add_products(const float *restrict one, const float *restrict other,
                                Py_ssize_t n, float *restrict sums)
{
    for (Py_ssize_t x = 0; x < n; x++)
        sums[x] += one[x] * other[x];
}

/* Sums columns, then their sums. */
static double product_of(const float *one, const float *other, Py_ssize_t h, Py_ssize_t w,
                         float *sums)
{
    double all = 0.0;
    memset(sums, 0, (size_t)w * sizeof(float));
    for (Py_ssize_t y = 0; y < h; y++)
        add_products(one + y * w, other + y * w, w, sums);
    for (Py_ssize_t x = 0; x < w; x++)
        all += sums[x];
    return all;
}

/* Goes a step: what is left over shrinks by the same. */
CLONES static void go_on(const float *restrict way, const float *restrict to, float step,
                         Py_ssize_t n, float *restrict g, float *restrict rest)
{
    for (Py_ssize_t x = 0; x < n; x++) {
        g[x] += way[x] * step;
        rest[x] -= to[x] * step;
    }
}

CLONES static void turn(const float *restrict rest, float share, Py_ssize_t n,
                        float *restrict way)
{
    for (Py_ssize_t x = 0; x < n; x++)
        way[x] = way[x] * share + rest[x];
}

typedef struct {
    Py_ssize_t h, w;
    const float *a;
    float near, own;
    Py_ssize_t steps;
} Solved;

/* Conjugate gradients from g on. rest: what is aimed at, written; room: five maps and
 * two lines. */
static void solve_all(const Solved *s, float *g, float *rest, float *room)
{
    Py_ssize_t h = s->h, w = s->w, all = h * w;
    float *way = room, *to = way + all, *means = to + all, *left = means + all;
    means_of(g, h, w, means, left);
    apply_all(g, means, s->a, s->near, s->own, h, w, to, left);
    for (Py_ssize_t i = 0; i < all; i++)
        rest[i] -= to[i];
    memcpy(way, rest, (size_t)all * sizeof(float));
    double size = product_of(rest, rest, h, w, left), start = size;
    for (Py_ssize_t k = 0; k < s->steps && size > 1e-6 * start; k++) {
        means_of(way, h, w, means, left);
        apply_all(way, means, s->a, s->near, s->own, h, w, to, left);
        double along = product_of(way, to, h, w, left);
        go_on(way, to, (float)(size / (along > 1e-12 ? along : 1e-12)), all, g, rest);
        double next = product_of(rest, rest, h, w, left);
        turn(rest, (float)(next / (size > 1e-30 ? size : 1e-30)), all, way);
        size = next;
    }
}

PyObject *solved_rims(PyObject *self, PyObject *given)
{
    (void)self;
    PyObject *a_from, *rest_from, *g_from;
    Solved s;
    float *g, *rest;
    if (!PyArg_ParseTuple(given, "(nn)OOffnO", &s.h, &s.w, &a_from, &rest_from, &s.near,
                          &s.own, &s.steps, &g_from))
        return NULL;
    Held held = {.held = 0};
    Py_ssize_t all = s.h * s.w;
    if (s.h < 2 || s.w < 2 || s.h > 4096 || s.w > 4096)
        return refuse(&held, "a map of another size is wanted");
    if ((s.a = hold_floats(&held, a_from, 3 * all, 0)) == NULL ||
        (rest = hold_floats(&held, rest_from, all, 1)) == NULL ||
        (g = hold_floats(&held, g_from, all, 1)) == NULL)
        return refuse(&held, NULL);
    float *room = malloc((size_t)(5 * all + 3 * s.w) * sizeof(float));
    if (room == NULL) {
        let_go(&held);
        return PyErr_NoMemory();
    }
    Py_BEGIN_ALLOW_THREADS
    solve_all(&s, g, rest, room);
    Py_END_ALLOW_THREADS
    free(room);
    return done(&held);
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
