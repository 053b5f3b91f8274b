/* How pictures in a few cells change, line by line: whether one may not belong there.
 *
 * Counted in float32, one operation after another as written: see light.c.
 */
#include "planes.h"
#include "exact.h"

#define MOST_BEFORE 4
#define LANES 8

/* Mean change of a line of cells: eight sums, then two by two. */
static float line_change(const float *now, const float *then, Py_ssize_t columns,
                         float share)
{
    float sums[LANES] = {0.0f};
    for (Py_ssize_t x = 0; x < columns; x += LANES)
        for (int k = 0; k < LANES; k++)
            sums[k] += fabsf(then[x + k] - now[x + k]);
    float low = (sums[0] + sums[1]) + (sums[2] + sums[3]);
    float high = (sums[4] + sums[5]) + (sums[6] + sums[7]);
    return (low + high) * share;
}

typedef struct {
    Py_ssize_t lines, columns, rows; /* rows: those of luma, the first */
    Py_ssize_t before;               /* pictures before this one */
    Py_ssize_t at;                   /* where this one's changes go in `recent` */
    float times, least;
    float *recent, *out;
} Changes;

/* Whether a group of n + 1 pictures before this one may be stray: of a line both ends
 * change by more than what lies around it differs, or than was usual. */
static int fires(const Changes *c, Py_ssize_t n)
{
    Py_ssize_t kept = c->before + 1;
    const float *into = c->recent + (c->at - 1 - n + kept) % kept * c->lines;
    const float *usual = c->recent + (c->at - 2 - n + kept) % kept * c->lines;
    const float *last = c->out, *over = c->out + (n + 1) * c->lines;
    int found = 0;
    for (Py_ssize_t i = 0; i < c->lines; i++) {
        float twice = 2.0f * usual[i], ends = into[i] < last[i] ? into[i] : last[i];
        float apart = over[i] < twice ? over[i] : twice;
        found |= ends > c->times * apart + c->least;
    }
    return found;
}

static double whole(const float *changes, Py_ssize_t rows)
{
    double sum = changes[0];
    for (Py_ssize_t i = 1; i < rows; i++)
        sum += changes[i];
    return sum;
}

PyObject *stray_lines(PyObject *self, PyObject *given)
{
    (void)self;
    PyObject *now_from, *before_from, *recent_from, *out_from;
    Changes c;
    if (!PyArg_ParseTuple(given, "OO!(nnn)OnffO", &now_from, &PyTuple_Type, &before_from,
                          &c.lines, &c.columns, &c.rows, &recent_from, &c.at, &c.times,
                          &c.least, &out_from))
        return NULL;
    Held held = {.held = 0};
    Py_ssize_t pictures = PyTuple_Size(before_from);
    c.before = MOST_BEFORE;
    if (c.lines < 1 || c.columns < LANES || c.columns % LANES || c.columns > 65536 ||
        c.lines > 65536 || c.rows < 1 || c.rows > c.lines || pictures > MOST_BEFORE ||
        c.at < 0 || c.at > MOST_BEFORE)
        return refuse(&held, "so many lines or pictures are not compared");
    Py_ssize_t size = c.lines * c.columns, given_lines = pictures > 0 ? pictures : 1;
    const float *now = hold_floats(&held, now_from, size, 0), *then[MOST_BEFORE];
    if (now == NULL)
        return refuse(&held, NULL);
    for (Py_ssize_t k = 0; k < pictures; k++) {
        PyObject *one = PyTuple_GetItem(before_from, k);
        if (one == NULL || (then[k] = hold_floats(&held, one, size, 0)) == NULL)
            return refuse(&held, NULL);
    }
    if ((c.recent = hold_floats(&held, recent_from, (MOST_BEFORE + 1) * c.lines, 1)) ==
            NULL ||
        (c.out = hold_floats(&held, out_from, given_lines * c.lines, 1)) == NULL)
        return refuse(&held, NULL);
    float share = (float)(1.0 / (double)c.columns);
    memset(c.out, 0, (size_t)(given_lines * c.lines) * sizeof(float));
    for (Py_ssize_t k = 0; k < pictures; k++)
        for (Py_ssize_t i = 0; i < c.lines; i++)
            c.out[k * c.lines + i] = line_change(
                now + i * c.columns, then[k] + i * c.columns, c.columns, share);
    memcpy(c.recent + c.at * c.lines, c.out, (size_t)c.lines * sizeof(float));
    long groups = 0;
    for (Py_ssize_t n = 0; pictures == MOST_BEFORE && n + 1 < MOST_BEFORE; n++)
        groups |= (long)fires(&c, n) << n;
    double on = whole(c.out, c.rows);
    double over = pictures > 1 ? whole(c.out + c.lines, c.rows) : on;
    double most = 0.0;
    for (Py_ssize_t i = 0; i < c.lines; i++)
        most = c.out[i] > most ? c.out[i] : most;
    let_go(&held);
    return Py_BuildValue("dddl", most, on, over, groups);
}

/* Codes at a few points of a plane, less zero, times a factor. */
static void few_of(const Plane *p, Py_ssize_t lines, Py_ssize_t columns, float zero,
                   float factor, float *out)
{
    Py_ssize_t down = p->height / lines, across = p->width / columns;
    for (Py_ssize_t i = 0; i < lines; i++)
        for (Py_ssize_t x = 0; x < columns; x++, out++) {
            if (down == 0 || across == 0) {
                *out = 0.0f;
                continue;
            }
            const char *row = line(p, down / 2 + i * down);
            float code = (float)code_at(p, row, across / 2 + x * across) - zero;
            *out = code * factor;
        }
}

PyObject *few_codes(PyObject *self, PyObject *given)
{
    (void)self;
    PyObject *one_from, *two_from, *out_from;
    Py_ssize_t lines, columns;
    float zero, factor;
    if (!PyArg_ParseTuple(given, "OO(nn)ffO", &one_from, &two_from, &lines, &columns,
                          &zero, &factor, &out_from))
        return NULL;
    Held held = {.held = 0};
    Plane one, two;
    if (hold_plane(&held, one_from, &one) < 0 || hold_plane(&held, two_from, &two) < 0)
        return refuse(&held, NULL);
    if (lines < 1 || columns < 1 || lines > 65536 || columns > 65536)
        return refuse(&held, "so many points are not taken");
    float *out = hold_floats(&held, out_from, 2 * lines * columns, 1);
    if (out == NULL)
        return refuse(&held, NULL);
    few_of(&one, lines, columns, zero, factor, out);
    few_of(&two, lines, columns, zero, factor, out + lines * columns);
    return done(&held);
}
