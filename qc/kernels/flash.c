/* What a screen shows of a small picture, and which of its places turn bright or dark.
 *
 * Counted in float32, one operation after another as written: see light.c.
 */
#include "planes.h"
#include "exact.h"

#define MOST_WIDE 1024 /* places of a row */
#define BLOCK 64       /* places looked at together */

/* ------------------------------------------------------------------ the screen */

/* Where R', G', B' of luma and chroma lie in the table, what makes luminance, redness
 * and "saturated red" of linear R, G, B, and where a cell may be saturated red. */
typedef struct {
    float to_places[3][4], mix[3][3], red_from, red_zero, red_luma, red_step;
} Colours;

typedef struct {
    const float *luma;
    Py_ssize_t height, width;
    Plane cb, cr;
    const float *table;
    Py_ssize_t last;
} Shot;

/* Which sample lies at place i of n: as OpenCV's nearest does. */
static Py_ssize_t nearest(Py_ssize_t i, Py_ssize_t n, Py_ssize_t of)
{
    Py_ssize_t at = (Py_ssize_t)floor((double)i * (1.0 / ((double)n / (double)of)));
    return at < of ? at : of - 1;
}

/* Luma of a row of places: means of two by two, of what there is. */
static void half_row(const Shot *s, Py_ssize_t r, Py_ssize_t columns, float *out)
{
    int down = s->height > 1 ? 2 : 1, across = s->width > 1 ? 2 : 1;
    float share = (float)(1.0 / (down * across));
    const float *one = s->luma + r * down * s->width, *two = one + s->width;
    for (Py_ssize_t x = 0; x < columns; x++) {
        float sum = across == 2 ? one[2 * x] + one[2 * x + 1] : one[x];
        if (down == 2)
            sum += across == 2 ? two[2 * x] + two[2 * x + 1] : two[x];
        out[x] = sum * share;
    }
}

/* Where a row's channels lie in the table. */
CLONES static void find_row(const float *y, const float *b, const float *r,
                            Py_ssize_t n, const float *to, Py_ssize_t last,
                            int32_t *at)
{
    float top = (float)last;
    for (Py_ssize_t x = 0; x < n; x++) {
        float place = ((to[0] * y[x] + to[1] * b[x]) + to[2] * r[x]) + to[3];
        place = place > 0.0f ? place : 0.0f;
        at[x] = (int32_t)(place < top ? place : top);
    }
}

CLONES static int may_be_red(const float *y, const float *r, Py_ssize_t n,
                             const Colours *c)
{
    int found = 0;
    for (Py_ssize_t x = 0; x < n; x++)
        found |= (r[x] >= c->red_from) & (y[x] <= (r[x] - c->red_zero) * c->red_luma);
    return found;
}

CLONES static void mix_row(const float *const light[3], Py_ssize_t n, const float *mix,
                           float *out)
{
    for (Py_ssize_t x = 0; x < n; x++)
        out[x] = (mix[0] * light[0][x] + mix[1] * light[1][x]) + mix[2] * light[2][x];
}

/* Redness, at least 0, and where it is saturated; returns whether it is anywhere. */
CLONES static int redness(const float *const light[3], Py_ssize_t n, const Colours *c,
                          float *excess, uint8_t *saturated)
{
    int32_t is[BLOCK], found = 0;
    const float *m = c->mix[1], *k = c->mix[2], step = c->red_step;
    for (Py_ssize_t first = 0; first < n; first += BLOCK) {
        const float *red = light[0] + first, *green = light[1] + first;
        const float *blue = light[2] + first;
        Py_ssize_t some = n - first < BLOCK ? n - first : BLOCK;
        for (Py_ssize_t x = 0; x < some; x++) {
            float more = (m[0] * red[x] + m[1] * green[x]) + m[2] * blue[x];
            float over = (k[0] * red[x] + k[1] * green[x]) + k[2] * blue[x];
            more = more > 0.0f ? more : 0.0f;
            excess[first + x] = more;
            is[x] = (over >= 0.0f ? 1 : 0) & (more >= step ? 1 : 0);
            found |= is[x];
        }
        for (Py_ssize_t x = 0; x < some; x++)
            saturated[first + x] = (uint8_t)is[x];
    }
    return found;
}

/* Samples of a row of a plane. */
static void take_row(const Plane *p, Py_ssize_t row, const int32_t *at, Py_ssize_t n,
                     float *out)
{
    const uint8_t *narrow = (const uint8_t *)line(p, row);
    const uint16_t *wide = (const uint16_t *)line(p, row);
    if (p->wide)
        for (Py_ssize_t x = 0; x < n; x++)
            out[x] = (float)(int)wide[at[x]];
    else
        for (Py_ssize_t x = 0; x < n; x++)
            out[x] = (float)(int)narrow[at[x]];
}

/* Fills light (3, n) and nits (n); returns whether anything may be saturated red. */
static int show(const Shot *s, Py_ssize_t rows, Py_ssize_t columns, const Colours *c,
                float *light, float *nits)
{
    float y[MOST_WIDE], b[MOST_WIDE], r[MOST_WIDE];
    int32_t at[MOST_WIDE], across[MOST_WIDE];
    Py_ssize_t n = rows * columns;
    int red = 0;
    for (Py_ssize_t x = 0; x < columns; x++)
        across[x] = (int32_t)nearest(x, columns, s->cb.width);
    for (Py_ssize_t i = 0; i < rows; i++) {
        Py_ssize_t down = nearest(i, rows, s->cb.height);
        if (i + 1 < rows) {
            Py_ssize_t next = nearest(i + 1, rows, s->cb.height);
            ask_for(line(&s->cb, next), s->cb.width << s->cb.wide);
            ask_for(line(&s->cr, next), s->cr.width << s->cr.wide);
        }
        half_row(s, i, columns, y);
        take_row(&s->cb, down, across, columns, b);
        take_row(&s->cr, down, across, columns, r);
        for (int k = 0; k < 3; k++) {
            float *to = light + k * n + i * columns;
            find_row(y, b, r, columns, c->to_places[k], s->last, at);
            for (Py_ssize_t x = 0; x < columns; x++)
                to[x] = s->table[at[x]];
        }
        const float *now[3] = {light + i * columns, light + n + i * columns,
                               light + 2 * n + i * columns};
        mix_row(now, columns, c->mix[0], nits + i * columns);
        red |= may_be_red(y, r, columns, c);
    }
    return red;
}

PyObject *screen_light(PyObject *self, PyObject *given)
{
    (void)self;
    PyObject *luma, *cb, *cr, *table, *numbers, *out, *saturated;
    Py_ssize_t rows, columns;
    int red;
    Shot s;
    Colours c;
    if (!PyArg_ParseTuple(given, "O(nn)OO(nn)OnOpOO", &luma, &s.height, &s.width, &cb, &cr,
                          &rows, &columns, &table, &s.last, &numbers, &red, &out,
                          &saturated))
        return NULL;
    Held held = {.held = 0};
    if (s.height < 1 || s.width < 1 || s.height > 65535 || s.width > 65535 ||
        columns > MOST_WIDE || s.last < 1 ||
        rows != (s.height > 1 ? s.height / 2 : 1) ||
        columns != (s.width > 1 ? s.width / 2 : 1))
        return refuse(&held, "so many places are not shown");
    Py_ssize_t n = rows * columns;
    const float *how;
    float *to;
    uint8_t *is;
    if ((s.luma = hold_floats(&held, luma, s.height * s.width, 0)) == NULL ||
        hold_plane(&held, cb, &s.cb) < 0 || hold_plane(&held, cr, &s.cr) < 0 ||
        (s.table = hold_floats(&held, table, s.last + 1, 0)) == NULL ||
        (how = hold_floats(&held, numbers, sizeof c / sizeof(float), 0)) == NULL ||
        (to = hold_floats(&held, out, 5 * n, 1)) == NULL ||
        (is = hold_bytes(&held, saturated, n, 1)) == NULL)
        return refuse(&held, NULL);
    if (!same_shape(&s.cb, &s.cr) || s.cb.height < 1 || s.cb.width < 1)
        return refuse(&held, "chroma planes must be alike");
    memcpy(&c, how, sizeof c);
    red |= show(&s, rows, columns, &c, to, to + 3 * n);
    int found = 0;
    if (red) {
        const float *now[3] = {to, to + n, to + 2 * n};
        found = redness(now, n, &c, to + 4 * n, is);
    }
    let_go(&held);
    return Py_BuildValue("ii", red, found);
}

/* ------------------------------------------------------------------ turning points */

typedef struct {
    const float *values;
    const uint8_t *saturated; /* NULL: luminance is followed */
    float *first, *turn, *side;
    uint8_t *first_red, *turn_red, *untouched;
    double *rose, *fell;
} Places;

typedef struct {
    float least, dark, contrast; /* contrast 0: bright places do not count */
    double at_s, since_s, fresh;
    int watch;
} Turning;

static int counts(const Places *p, Py_ssize_t i, float before, int was_red,
                  const Turning *t)
{
    float now = p->values[i];
    if (p->saturated != NULL)
        return was_red || p->saturated[i];
    float darker = before < now ? before : now;
    float need = darker < t->dark  ? t->least
                 : t->contrast > 0 ? darker / t->contrast
                                   : INFINITY;
    return fabsf(before - now) >= need;
}

/* Follows a block of places; returns how far the farthest came back. */
CLONES static float follow(const float *values, const float *side, float *turn,
                           Py_ssize_t n)
{
    float far = -INFINITY;
    for (Py_ssize_t i = 0; i < n; i++) {
        float now = values[i] * side[i];
        turn[i] = turn[i] > now ? turn[i] : now;
        float back = turn[i] - now;
        far = back > far ? back : far;
    }
    return far;
}

/* The colour of what lies farther out than all before. */
CLONES static void recolour(const float *values, const float *side, const float *turn,
                            const uint8_t *saturated, uint8_t *restrict turn_red,
                            Py_ssize_t n)
{
    for (Py_ssize_t i = 0; i < n; i++)
        turn_red[i] = values[i] * side[i] > turn[i] ? saturated[i] : turn_red[i];
}

static void look_at(const Places *p, Py_ssize_t i, const Turning *t, int64_t *rising,
                    int64_t *falling)
{
    float side = p->side[i], value = p->values[i], before = p->turn[i] * side;
    int rose = 0, fell = 0;
    if (t->watch && p->untouched[i] && p->first[i] - value >= t->least)
        fell = counts(p, i, p->first[i], p->first_red[i], t);
    if (p->turn[i] - value * side >= t->least &&
        counts(p, i, before, p->turn_red[i], t)) {
        p->turn[i] = -side * value;
        if (p->saturated != NULL)
            p->turn_red[i] = p->saturated[i];
        p->side[i] = -side;
        rose = side < 0;
        fell |= side > 0;
    }
    if (rose || fell)
        p->untouched[i] = 0;
    if (rose)
        p->rose[i] = t->at_s;
    if (fell)
        p->fell[i] = t->at_s;
    *rising += rose;
    *falling += fell;
}

/* Percent of places that turned a short while ago, if some do now. */
static double recent(int64_t now, const double *when, Py_ssize_t n, const Turning *t)
{
    if (now == 0 || now < t->fresh * n)
        return 0.0;
    int64_t count = 0;
    for (Py_ssize_t i = 0; i < n; i++)
        count += when[i] > t->since_s;
    return 100.0 * count / n;
}

PyObject *place_turns(PyObject *self, PyObject *given)
{
    (void)self;
    PyObject *values, *saturated, *state, *flags, *when;
    Py_ssize_t n;
    Places p = {.saturated = NULL};
    Turning t;
    if (!PyArg_ParseTuple(given, "nOOOOO(fff)(ddd)p", &n, &values, &saturated, &state,
                          &flags, &when, &t.least, &t.dark, &t.contrast, &t.at_s,
                          &t.since_s, &t.fresh, &t.watch))
        return NULL;
    Held held = {.held = 0};
    if (n < 1 || n > (1 << 24))
        return refuse(&held, "so many places are not followed");
    if ((p.values = hold_floats(&held, values, n, 0)) == NULL ||
        (saturated != Py_None &&
         (p.saturated = hold_bytes(&held, saturated, n, 0)) == NULL) ||
        (p.first = hold_floats(&held, state, 3 * n, 1)) == NULL ||
        (p.first_red = hold_bytes(&held, flags, 3 * n, 1)) == NULL ||
        (p.rose = hold_doubles(&held, when, 2 * n, 1)) == NULL)
        return refuse(&held, NULL);
    p.turn = p.first + n;
    p.side = p.turn + n;
    p.turn_red = p.first_red + n;
    p.untouched = p.turn_red + n;
    p.fell = p.rose + n;
    int64_t rising = 0, falling = 0;
    if (p.saturated != NULL)
        recolour(p.values, p.side, p.turn, p.saturated, p.turn_red, n);
    for (Py_ssize_t first = 0; first < n; first += BLOCK) {
        Py_ssize_t last = first + BLOCK < n ? first + BLOCK : n;
        float far = follow(p.values + first, p.side + first, p.turn + first, last - first);
        for (Py_ssize_t i = first; i < last && (t.watch || far >= t.least); i++)
            look_at(&p, i, &t, &rising, &falling);
    }
    double up = recent(rising, p.rose, n, &t), down = recent(falling, p.fell, n, &t);
    let_go(&held);
    return Py_BuildValue("dd", up, down);
}
