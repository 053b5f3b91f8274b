/* What changes from one kept frame to the next but one: small pictures of log light.
 *
 * Counted in float32, one operation after another as written; sums over all places in
 * float64, down each column and then across: see shots.c.
 */
#include "planes.h"
#include "exact.h"

RANKED(ranked, float)

static Py_ssize_t mirrored(Py_ssize_t i, Py_ssize_t n)
{
    i = i < 0 ? -i : i;
    i = i >= n ? 2 * (n - 1) - i : i;
    return i < 0 ? 0 : i;
}

CLONES static void halve(const float *one, const float *two, Py_ssize_t n, float foot,
                         float *out)
{
    for (Py_ssize_t x = 0; x < n; x++) {
        float mean = ((one[2 * x] + one[2 * x + 1]) + (two[2 * x] + two[2 * x + 1]));
        mean = mean * 0.25f;
        out[x] = (mean > 0.0f ? mean : 0.0f) + foot;
    }
}

PyObject *half_light(PyObject *self, PyObject *given)
{
    (void)self;
    PyObject *from, *to;
    Py_ssize_t height, width;
    float foot;
    if (!PyArg_ParseTuple(given, "O(nn)fO", &from, &height, &width, &foot, &to))
        return NULL;
    Held held = {.held = 0};
    if (height < 2 || width < 2 || height > 65535 || width > 65535)
        return refuse(&held, "such a picture has no half");
    Py_ssize_t rows = height / 2, columns = width / 2;
    const float *in = hold_floats(&held, from, height * width, 0);
    float *out = in == NULL ? NULL : hold_floats(&held, to, rows * columns, 1);
    if (out == NULL)
        return refuse(&held, NULL);
    for (Py_ssize_t y = 0; y < rows; y++)
        halve(in + 2 * y * width, in + (2 * y + 1) * width, columns, foot,
              out + y * columns);
    return done(&held);
}

/* Takes a step off a line of changes and adds their sizes to sums of columns. */
CLONES static void settle(float *change, Py_ssize_t n, float step, double *sums)
{
    for (Py_ssize_t x = 0; x < n; x++) {
        change[x] -= step;
        sums[x] += (double)fabsf(change[x]);
    }
}

/* A line out of three, and a line's places out of three: the middle one and the sum of
 * the others by their weights. */
CLONES static void weigh(const float *a, const float *m, const float *b, Py_ssize_t n,
                         const float by[2], int sized, float *out)
{
    for (Py_ssize_t x = 0; x < n; x++) {
        float sum = (a[x] + b[x]) * by[1] + m[x] * by[0];
        out[x] = sized ? fabsf(sum) : sum;
    }
}

/* Across and then down, mirrored about the outermost places. `room`: three lines, and
 * one with a place more at both ends. */
static void spread(const float *in, Py_ssize_t h, Py_ssize_t w, const float across[2],
                   const float down[2], int sized, float *room, float *out)
{
    float *wide = room + 3 * w + 1;
    for (Py_ssize_t y = 0, next = 0; y < h; y++) {
        for (; next < h && next <= y + 1; next++) {
            memcpy(wide, in + next * w, (size_t)w * sizeof(float));
            wide[-1] = wide[mirrored(-1, w)];
            wide[w] = wide[mirrored(w, w)];
            weigh(wide - 1, wide, wide + 1, w, across, 0, room + next % 3 * w);
        }
        weigh(room + mirrored(y - 1, h) % 3 * w, room + y % 3 * w,
              room + mirrored(y + 1, h) % 3 * w, w, down, sized, out + y * w);
    }
}

PyObject *light_step(PyObject *self, PyObject *given)
{
    (void)self;
    PyObject *before_from, *after_from, *changed_from, *tops_from;
    Py_ssize_t h, w, every;
    float smooth[2];
    if (!PyArg_ParseTuple(given, "OO(nn)n(ff)OO", &before_from, &after_from, &h, &w,
                          &every, &smooth[0], &smooth[1], &changed_from, &tops_from))
        return NULL;
    Held held = {.held = 0};
    if (h < 1 || w < 1 || h > 32768 || w > 32768 || every < 1)
        return refuse(&held, "such pictures are not held against each other");
    int wanted = changed_from != Py_None;
    const float *before = hold_floats(&held, before_from, h * w, 0), *after = NULL;
    float *changed = NULL, *tops = NULL;
    if (before == NULL || (after = hold_floats(&held, after_from, h * w, 0)) == NULL ||
        (wanted && ((changed = hold_floats(&held, changed_from, h * w, 1)) == NULL ||
                    (tops = hold_floats(&held, tops_from, h * w, 1)) == NULL)))
        return refuse(&held, NULL);
    Py_ssize_t few = ((h + every - 1) / every) * ((w + every - 1) / every), kept = 0;
    float *room = malloc((size_t)(h * w + few + 4 * w + 2) * sizeof(float));
    double *sums = calloc((size_t)w, sizeof(double));
    if (room == NULL || sums == NULL) {
        free(room);
        free(sums);
        let_go(&held);
        return PyErr_NoMemory();
    }
    float *change = room, *some = room + h * w, *lines = some + few;
    for (Py_ssize_t i = 0; i < h * w; i++)
        change[i] = before[i] - after[i];
    for (Py_ssize_t y = 0; y < h; y += every)
        for (Py_ssize_t x = 0; x < w; x += every)
            some[kept++] = change[y * w + x];
    float step = ranked(some, few, few / 2);
    for (Py_ssize_t y = 0; y < h; y++)
        settle(change + y * w, w, step, sums);
    double move = sums[0];
    for (Py_ssize_t x = 1; x < w; x++)
        move += sums[x];
    if (wanted) {
        const float even[2] = {1.0f, 1.0f}, ninth[2] = {1.0f / 9.0f, 1.0f / 9.0f};
        spread(change, h, w, smooth, smooth, 1, lines, changed);
        spread(changed, h, w, even, ninth, 0, lines, tops);
    }
    free(room);
    free(sums);
    let_go(&held);
    return Py_BuildValue("dd", (double)step, move);
}

CLONES static Py_ssize_t sudden(const float *now, const float *before, const float *after,
                                Py_ssize_t n, float own, float times)
{
    int32_t count = 0;
    for (Py_ssize_t x = 0; x < n; x++) {
        float beside = times * (before[x] > after[x] ? before[x] : after[x]);
        count += (now[x] > beside) & (now[x] > own);
    }
    return count;
}

PyObject *sudden_places(PyObject *self, PyObject *given)
{
    (void)self;
    PyObject *from[3];
    const float *at[3];
    Py_ssize_t h, w, rim, all = 0, inside = 0;
    float own, times;
    if (!PyArg_ParseTuple(given, "OOO(nn)nff", &from[0], &from[1], &from[2], &h, &w, &rim,
                          &own, &times))
        return NULL;
    Held held = {.held = 0};
    if (h < 1 || w < 1 || h > 32768 || w > 32768 || rim < 0)
        return refuse(&held, "such pictures are not held against each other");
    for (int i = 0; i < 3; i++)
        if ((at[i] = hold_floats(&held, from[i], h * w, 0)) == NULL)
            return refuse(&held, NULL);
    for (Py_ssize_t y = 0; y < h; y++) {
        const float *now = at[0] + y * w, *one = at[1] + y * w, *two = at[2] + y * w;
        Py_ssize_t count = sudden(now, one, two, w, own, times);
        all += count;
        if (count > 0 && y >= rim && y < h - rim && w > 2 * rim)
            inside += sudden(now + rim, one + rim, two + rim, w - 2 * rim, own, times);
    }
    let_go(&held);
    return Py_BuildValue("nn", all, inside);
}

/* ------------------------------------------------------------------ round parts */

#define MOST_SIDE 64 /* places of a part's surroundings */
#define WIDE (MOST_SIDE + 2)

typedef struct {
    Py_ssize_t h, w;
    uint8_t at[WIDE * WIDE]; /* with a place more around */
} Few;

/* Grows what is set by its neighbours, or shrinks it by those that are not; outside of
 * the border nothing does either. cross: but for diagonal ones. */
static void morph(const Few *in, int cross, int grow, Few *out)
{
    Few wide = *in;
    for (Py_ssize_t x = 0; x < in->w + 2; x++)
        wide.at[x] = wide.at[(in->h + 1) * WIDE + x] = !grow;
    for (Py_ssize_t y = 0; y < in->h + 2; y++)
        wide.at[y * WIDE] = wide.at[y * WIDE + in->w + 1] = !grow;
    out->h = in->h;
    out->w = in->w;
    for (Py_ssize_t y = 1; y <= in->h; y++) {
        const uint8_t *m = wide.at + y * WIDE, *a = m - WIDE, *b = m + WIDE;
        uint8_t *to = out->at + y * WIDE;
        for (Py_ssize_t x = 1; x <= in->w; x++) {
            uint8_t some = m[x - 1] | m[x] | m[x + 1] | a[x] | b[x];
            uint8_t every = m[x - 1] & m[x] & m[x + 1] & a[x] & b[x];
            if (!cross) {
                some |= a[x - 1] | a[x + 1] | b[x - 1] | b[x + 1];
                every &= a[x - 1] & a[x + 1] & b[x - 1] & b[x + 1];
            }
            to[x] = grow ? some : every;
        }
    }
}

/* Marks with 2 what hangs together with a place, side by side; returns how many. */
static Py_ssize_t fill(Few *few, Py_ssize_t from, Py_ssize_t box[4])
{
    Py_ssize_t left[WIDE * WIDE], waiting = 0, count = 0;
    const Py_ssize_t ways[4] = {-WIDE, -1, 1, WIDE};
    left[waiting++] = from;
    few->at[from] = 2;
    while (waiting > 0) {
        Py_ssize_t at = left[--waiting], y = at / WIDE - 1, x = at % WIDE - 1;
        box[0] = y < box[0] ? y : box[0];
        box[1] = x < box[1] ? x : box[1];
        box[2] = y >= box[2] ? y + 1 : box[2];
        box[3] = x >= box[3] ? x + 1 : box[3];
        count++;
        for (int k = 0; k < 4; k++)
            if (few->at[at + ways[k]] == 1) {
                few->at[at + ways[k]] = 2;
                left[waiting++] = at + ways[k];
            }
    }
    return count;
}

PyObject *round_part(PyObject *self, PyObject *given)
{
    (void)self;
    PyObject *from, *to;
    Few few, other;
    Py_ssize_t y, x;
    if (!PyArg_ParseTuple(given, "O(nn)(nn)O", &from, &few.h, &few.w, &y, &x, &to))
        return NULL;
    Held held = {.held = 0};
    if (few.h < 1 || few.w < 1 || few.h > MOST_SIDE || few.w > MOST_SIDE || y < 0 ||
        x < 0 || y >= few.h || x >= few.w)
        return refuse(&held, "a place must lie in its few surroundings");
    const uint8_t *in = hold_bytes(&held, from, few.h * few.w, 0);
    uint8_t *out = in == NULL ? NULL : hold_bytes(&held, to, few.h * few.w, 1);
    if (out == NULL)
        return refuse(&held, NULL);
    memset(few.at, 0, sizeof few.at);
    memset(other.at, 0, sizeof other.at);
    for (Py_ssize_t i = 0; i < few.h; i++)
        for (Py_ssize_t j = 0; j < few.w; j++)
            few.at[(i + 1) * WIDE + j + 1] = in[i * few.w + j] != 0;
    morph(&few, 0, 1, &other);
    morph(&other, 0, 0, &few);
    morph(&few, 1, 0, &other);
    morph(&other, 1, 1, &few);
    Py_ssize_t box[4] = {few.h, few.w, 0, 0}, count = 0, start = (y + 1) * WIDE + x + 1;
    if (few.at[start] == 1)
        count = fill(&few, start, box);
    for (Py_ssize_t i = 0; count > 0 && i < few.h; i++)
        for (Py_ssize_t j = 0; j < few.w; j++)
            out[i * few.w + j] = few.at[(i + 1) * WIDE + j + 1] == 2;
    let_go(&held);
    return Py_BuildValue("nnnnn", count, box[0], box[1], box[2], box[3]);
}
