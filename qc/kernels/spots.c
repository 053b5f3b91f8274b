/* Single pixels that stand out of a whole plane. */
#include "planes.h"
#include "exact.h"

#define BLOCK 64 /* pixels looked at together */

typedef struct {
    int64_t *place, *amount; /* `room` of each, the rest is only counted */
    int64_t room, found;
    int64_t least, most, top; /* more than `most`: `least` is doubled, not up to `top` */
} Found;

static void keep(Found *to, int64_t place, int64_t amount)
{
    if (amount <= to->least)
        return;
    if (to->found < to->room) {
        to->place[to->found] = place;
        to->amount[to->found] = amount;
    }
    to->found++;
    /* Too many so far are too many in all: only the stronger ones are kept. */
    while (to->found > to->most && 2 * to->least < to->top) {
        int64_t left = 0;
        to->least *= 2;
        for (int64_t i = 0; i < to->found; i++)
            if (to->amount[i] > to->least) {
                to->place[left] = to->place[i];
                to->amount[left++] = to->amount[i];
            }
        to->found = left;
    }
}

/* Looks at a row; most blocks hold nothing, which one maximum tells. */
#define ROW(type)                                                                       \
    CLONES static int farthest_##type(const type *up, const type *row, const type *low, \
                                      Py_ssize_t n)                                     \
    {                                                                                   \
        type far = 0;                                                                   \
        for (Py_ssize_t x = 0; x < n; x++) {                                            \
            type a = up[x] > low[x] ? up[x] : low[x];                                   \
            type b = row[x - 2] > row[x + 2] ? row[x - 2] : row[x + 2];                 \
            type c = up[x] < low[x] ? up[x] : low[x];                                   \
            type d = row[x - 2] < row[x + 2] ? row[x - 2] : row[x + 2];                 \
            type most = a > b ? a : b, least = c < d ? c : d;                           \
            type over = row[x] > most ? (type)(row[x] - most) : 0;                      \
            type under = least > row[x] ? (type)(least - row[x]) : 0;                   \
            type more = over > under ? over : under;                                    \
            far = far > more ? far : more;                                              \
        }                                                                               \
        return far;                                                                     \
    }                                                                                   \
    static void look_##type(const Plane *p, Py_ssize_t y, Found *to)                    \
    {                                                                                   \
        const type *up = (const type *)line(p, y - 2), *row = (const type *)line(p, y); \
        const type *low = (const type *)line(p, y + 2);                                 \
        for (Py_ssize_t first = 2; first < p->width - 2; first += BLOCK) {              \
            Py_ssize_t n = p->width - 2 - first;                                        \
            n = n < BLOCK ? n : BLOCK;                                                  \
            int64_t least = to[0].least < to[1].least ? to[0].least : to[1].least;      \
            if (farthest_##type(up + first, row + first, low + first, n) <= least)      \
                continue;                                                               \
            for (Py_ssize_t x = first; x < first + n; x++) {                            \
                int64_t v = row[x], a = up[x], b = low[x], c = row[x - 2];              \
                int64_t d = row[x + 2];                                                 \
                int64_t ab = a > b ? a : b, cd = c > d ? c : d;                         \
                int64_t most = ab > cd ? ab : cd;                                       \
                ab = a < b ? a : b;                                                     \
                cd = c < d ? c : d;                                                     \
                int64_t fewest = ab < cd ? ab : cd;                                     \
                if (v - most > least)                                                   \
                    keep(&to[0], y * p->width + x, v - most);                           \
                if (fewest - v > least)                                                 \
                    keep(&to[1], y * p->width + x, fewest - v);                         \
            }                                                                           \
        }                                                                               \
    }

ROW(uint8_t)
ROW(uint16_t)

PyObject *beyond_cross(PyObject *self, PyObject *given)
{
    (void)self;
    PyObject *plane, *out;
    long long least, most, top;
    Py_ssize_t room;
    Plane p;
    if (!PyArg_ParseTuple(given, "OLLLnO", &plane, &least, &most, &top, &room, &out))
        return NULL;
    Held held = {.held = 0};
    if (least < 1 || most < 0 || room <= most || room > (1 << 28))
        return refuse(&held, "so many places are not kept");
    if (hold_plane(&held, plane, &p) < 0)
        return refuse(&held, NULL);
    int64_t *numbers = hold_numbers(&held, out, 4 * room);
    if (numbers == NULL)
        return refuse(&held, NULL);
    Found found[2] = {
        {numbers, numbers + room, room, 0, least, most, top},
        {numbers + 2 * room, numbers + 3 * room, room, 0, least, most, top}};
    Py_BEGIN_ALLOW_THREADS
    for (Py_ssize_t y = 2; y < p.height - 2; y++)
        if (p.wide)
            look_uint16_t(&p, y, found);
        else
            look_uint8_t(&p, y, found);
    Py_END_ALLOW_THREADS
    let_go(&held);
    return Py_BuildValue("LL", (long long)found[0].found, (long long)found[1].found);
}

/* Sums of a weighted fit of 6 terms to steps across and down: those of the terms by each
 * other, and by the steps. A point counts the less the farther it lies off the last fit. */
#define TERMS 6

static void fit(const double *terms, const double *steps, const double *laid,
                const uint8_t *known, Py_ssize_t n, double scale, double *out)
{
    double *goal = out + TERMS * TERMS;
    memset(out, 0, TERMS * (TERMS + 2) * sizeof(double));
    for (Py_ssize_t p = 0; p < n; p++) {
        const double *t = terms + TERMS * p, *s = steps + 2 * p, *l = laid + 2 * p;
        if (!known[p])
            continue;
        double x = s[0] - l[0], y = s[1] - l[1];
        double far = 1.0 + (x * x + y * y) / (scale * scale);
        double weight = 1.0 / (far * far);
        for (int i = 0; i < TERMS; i++) {
            double by = weight * t[i];
            for (int j = 0; j < TERMS; j++)
                out[TERMS * i + j] += by * t[j];
            goal[2 * i] += by * s[0];
            goal[2 * i + 1] += by * s[1];
        }
    }
}

PyObject *fit_sums(PyObject *self, PyObject *given)
{
    (void)self;
    PyObject *terms_from, *steps_from, *laid_from, *known_from, *out_from;
    Py_ssize_t n;
    double scale;
    if (!PyArg_ParseTuple(given, "nOOOOdO", &n, &terms_from, &steps_from, &laid_from,
                          &known_from, &scale, &out_from))
        return NULL;
    Held held = {.held = 0};
    if (n < 1 || n > (1 << 24) || !(scale > 0.0))
        return refuse(&held, "so many points are not fitted");
    const double *terms = hold_doubles(&held, terms_from, TERMS * n, 0), *steps = NULL;
    const double *laid = NULL;
    const uint8_t *known = NULL;
    double *out = NULL;
    if (terms == NULL || (steps = hold_doubles(&held, steps_from, 2 * n, 0)) == NULL ||
        (laid = hold_doubles(&held, laid_from, 2 * n, 0)) == NULL ||
        (known = hold_bytes(&held, known_from, n, 0)) == NULL ||
        (out = hold_doubles(&held, out_from, TERMS * (TERMS + 2), 1)) == NULL)
        return refuse(&held, NULL);
    fit(terms, steps, laid, known, n, scale, out);
    return done(&held);
}
