/* What moves the whole picture: sums over its patches, and their vote.
 *
 * The one file that counts in floats. Every operation stands by itself and none is
 * contracted, so that results do not depend on the instruction set here either.
 */
#include "planes.h"

#if defined(__GNUC__) && !defined(__clang__)
#define AS_WRITTEN __attribute__((optimize("fp-contract=off")))
/* The loop's arrays do not overlap. */
#define IN_ANY_ORDER _Pragma("GCC ivdep")
#else
#define AS_WRITTEN
#define IN_ANY_ORDER
#endif

/* ------------------------------------------------------------------ small pictures */

#define REACH 4 /* px of the smoothing, to each side */
#define TAPS (2 * REACH + 1)

/* One line out of nine alike, about the middle one. */
AS_WRITTEN CLONES static void nine_taps(const float *const lines[TAPS],
                                        const float weights[REACH + 1], Py_ssize_t width,
                                        float *restrict out)
{
    const float *m = lines[4];
    const float *a1 = lines[3], *b1 = lines[5], *a2 = lines[2], *b2 = lines[6];
    const float *a3 = lines[1], *b3 = lines[7], *a4 = lines[0], *b4 = lines[8];
    const float w0 = weights[0], w1 = weights[1], w2 = weights[2], w3 = weights[3],
                w4 = weights[4];
    for (Py_ssize_t x = 0; x < width; x++) {
        float sum = w0 * m[x];
        float one = a1[x] + b1[x], two = a2[x] + b2[x];
        float three = a3[x] + b3[x], four = a4[x] + b4[x];
        one = w1 * one;
        two = w2 * two;
        three = w3 * three;
        four = w4 * four;
        sum = sum + one;
        sum = sum + two;
        sum = sum + three;
        out[x] = sum + four;
    }
}

/* Down and then across; mirrored about the outermost pixels. `line` has room for a line
 * and REACH more at both ends. */
static void smooth(const float *picture, Py_ssize_t height, Py_ssize_t width,
                   const float *weights, float *line, float *out)
{
    const float *lines[TAPS];
    for (Py_ssize_t y = 0; y < height; y++) {
        for (Py_ssize_t k = 0; k < TAPS; k++) {
            Py_ssize_t from = y + k - REACH;
            from = from < 0 ? -from : from;
            from = from >= height ? 2 * (height - 1) - from : from;
            lines[k] = picture + from * width;
        }
        nine_taps(lines, weights, width, line + REACH);
        for (Py_ssize_t k = 1; k <= REACH; k++) {
            line[REACH - k] = line[REACH + k];
            line[REACH + width - 1 + k] = line[REACH + width - 1 - k];
        }
        for (Py_ssize_t k = 0; k < TAPS; k++)
            lines[k] = line + k;
        nine_taps(lines, weights, width, out + y * width);
    }
}

/* ------------------------------------------------------------------ sums of patches */

/* Of each column the change times the anchor's three; light, its slope down; energy. */
#define SUMS 6
#define LIGHT 3

AS_WRITTEN CLONES static void four_taps(const float *a, const float *b, const float *c,
                                        const float *d, const float *weights,
                                        Py_ssize_t width, float *restrict out)
{
    const float w0 = weights[0], w1 = weights[1], w2 = weights[2], w3 = weights[3];
    for (Py_ssize_t x = 0; x < width; x++) {
        float one = w0 * a[x], two = w1 * b[x], three = w2 * c[x], four = w3 * d[x];
        float sum = one + two;
        sum = sum + three;
        out[x] = sum + four;
    }
}

/* Adds a line's change since the anchor, times what it is multiplied by, to sums of its
 * columns: lines give the picture, as `four_taps`; the anchor's parts lie `apart`. */
AS_WRITTEN CLONES static void add_line(float *const lines[4], const float *weights,
                                       const float *anchor, Py_ssize_t apart,
                                       float slope, Py_ssize_t width,
                                       float *restrict sums)
{
    const float w0 = weights[0], w1 = weights[1], w2 = weights[2], w3 = weights[3];
    const float *a = lines[0], *b = lines[1], *c = lines[2], *d = lines[3];
    const float *by0 = anchor + apart, *by1 = by0 + apart, *by2 = by1 + apart;
    float *of0 = sums, *of1 = sums + width, *of2 = sums + 2 * width;
    float *light = sums + 3 * width, *tilt = sums + 4 * width, *energy = sums + 5 * width;
    IN_ANY_ORDER
    for (Py_ssize_t x = 0; x < width; x++) {
        float one = w0 * a[x], two = w1 * b[x], three = w2 * c[x], four = w3 * d[x];
        float change = one + two;
        change = change + three;
        change = change + four;
        change = change - anchor[x];
        one = by0[x] * change;
        two = by1[x] * change;
        three = by2[x] * change;
        four = slope * change;
        float five = change * change;
        of0[x] = of0[x] + one;
        of1[x] = of1[x] + two;
        of2[x] = of2[x] + three;
        light[x] = light[x] + change;
        tilt[x] = tilt[x] + four;
        energy[x] = energy[x] + five;
    }
}

/* The columns of one patch, added up: as `sums`, the slope across put in after light. */
AS_WRITTEN static void close_patch(const float *sums, Py_ssize_t width, Py_ssize_t side,
                                   const double *slope, Py_ssize_t patches, double *out)
{
    double total[SUMS + 1] = {0};
    for (Py_ssize_t x = 0; x < side; x++) {
        for (int k = 0; k < SUMS; k++) {
            double value = sums[k * width + x];
            total[k] = total[k] + value;
        }
        double part = slope[x] * sums[LIGHT * width + x];
        total[SUMS] = total[SUMS] + part;
    }
    for (int k = 0; k < SUMS; k++)
        out[(k <= LIGHT ? k : k + 1) * patches] = total[k];
    out[(LIGHT + 1) * patches] = total[SUMS];
}

typedef struct {
    const float *picture; /* where the patches begin in it, moved by whole pixels */
    Py_ssize_t stride;
    const float *anchor;
    Py_ssize_t rows, columns, side;
    float across[4], down[4]; /* weights of the pixels at -1, 0, 1, 2 */
    const double *slope;
} Patches;

/* Lines between pixels are made as they are wanted; four of them give one. `room` has
 * four lines, and SUMS more. */
static void sum_patches(const Patches *of, float *room, double *out)
{
    const Py_ssize_t width = of->columns * of->side, height = of->rows * of->side;
    float *made[4], *sums = room + 4 * width;
    for (Py_ssize_t k = 0; k < 4; k++)
        made[k] = room + k * width;
    for (Py_ssize_t y = 0, next = -1; y < height; y++) {
        for (; next <= y + 2; next++) {
            const float *p = of->picture + next * of->stride;
            four_taps(p - 1, p, p + 1, p + 2, of->across, width, made[(next + 1) & 3]);
        }
        Py_ssize_t within = y % of->side;
        if (within == 0)
            memset(sums, 0, SUMS * (size_t)width * sizeof(float));
        float *const lines[4] = {made[y & 3], made[(y + 1) & 3], made[(y + 2) & 3],
                                 made[(y + 3) & 3]};
        add_line(lines, of->down, of->anchor + y * width, height * width,
                 (float)of->slope[within], width, sums);
        if (within == of->side - 1)
            for (Py_ssize_t j = 0; j < of->columns; j++)
                close_patch(sums + j * of->side, width, of->side, of->slope,
                            of->rows * of->columns,
                            out + y / of->side * of->columns + j);
    }
}

/* ------------------------------------------------------------------ single patches */

#define FACTS 12 /* energy, length, trace, textured, inverse (4), root (4) of a patch */

typedef struct {
    double *pull, *felt, *own, *worth;
} Votes;

/* What each patch tells by itself, and what its vote counts; 0 for one that sees another
 * thing than the anchor did. */
AS_WRITTEN static void weigh(const double *sums, const double *facts, Py_ssize_t n,
                             double unlike, const Votes *out)
{
    double whole = 0.0;
    for (Py_ssize_t p = 0; p < n; p++) {
        const double *f = facts + FACTS * p, *s = sums + p;
        double x = -s[0], y = -s[n], along = s[2 * n];
        double a = s[3 * n] * s[3 * n], b = s[4 * n] * s[4 * n], c = s[5 * n] * s[5 * n];
        double light = a + b;
        light = light + c;
        double left = s[6 * n] - light;
        /* The pieces of the other picture's energy: (a + d)^2 without means. */
        double both = 2.0 * f[1];
        both = both * along;
        double other = f[0] + both;
        other = other + left;
        for (int k = 0; k < 2; k++) {
            double px = f[4 + 2 * k] * x, py = f[5 + 2 * k] * y;
            out->own[2 * p + k] = px + py;
            px = f[8 + 2 * k] * x;
            py = f[9 + 2 * k] * y;
            out->felt[2 * p + k] = px + py;
        }
        double px = out->own[2 * p] * x, py = out->own[2 * p + 1] * y;
        double told = px + py, kept = along * along;
        double unexplained = left - kept;
        unexplained = unexplained - told;
        double most = unlike * (other > 1e-6 ? other : 1e-6);
        int usable = f[3] > 0 && unexplained < most && along > -f[1];
        out->pull[2 * p] = x;
        out->pull[2 * p + 1] = y;
        out->worth[p] = usable;
        whole = whole + (usable ? f[2] : 0.0);
    }
    /* Capped: one strong edge must not outvote everything else. */
    double usual = whole / (double)n;
    usual = usual + 1e-6;
    for (Py_ssize_t p = 0; p < n; p++) {
        double trace = facts[FACTS * p + 2];
        out->worth[p] = out->worth[p] / (trace > usual ? trace : usual);
    }
}

/* ------------------------------------------------------------------ common motion */

/* Four equations by elimination; a is symmetric and positive. */
AS_WRITTEN static void solve_four(double a[4][4], double b[4], double *out)
{
    for (int k = 0; k < 4; k++)
        for (int i = k + 1; i < 4; i++) {
            double share = a[i][k] / a[k][k];
            for (int j = k; j < 4; j++) {
                double part = share * a[k][j];
                a[i][j] = a[i][j] - part;
            }
            double part = share * b[k];
            b[i] = b[i] - part;
        }
    for (int i = 3; i >= 0; i--) {
        double sum = b[i];
        for (int j = i + 1; j < 4; j++) {
            double part = a[i][j] * out[j];
            sum = sum - part;
        }
        out[i] = sum / a[i][i];
    }
}

/* How far each of n patches is from a motion, theta. model: two rows a patch. */
AS_WRITTEN static void stray(const double *felt, const double *model, Py_ssize_t n,
                             const double *theta, double *off)
{
    for (Py_ssize_t p = 0; p < n; p++, felt += 2, model += 8) {
        double rest[2];
        for (int k = 0; k < 2; k++) {
            double sum = model[4 * k] * theta[0];
            for (int j = 1; j < 4; j++) {
                double part = model[4 * k + j] * theta[j];
                sum = sum + part;
            }
            rest[k] = felt[k] - sum;
        }
        double x = rest[0] * rest[0], y = rest[1] * rest[1];
        off[p] = sqrt(x + y);
    }
}

/* One pass: votes by how far each patch is off, and the motion that they give. */
AS_WRITTEN static void revote(const double *pull, const double *worth,
                              const double *weighing, const double *rows, Py_ssize_t n,
                              double scale, const double *lean, const double *off,
                              double *theta)
{
    double a[4][4] = {{0}}, b[4] = {0};
    for (Py_ssize_t p = 0; p < n; p++) {
        double far = off[p] / scale, near = 1.0 - far * far;
        near = near > 0.0 ? near : 0.0;
        double vote = near * (near * worth[p]);
        for (int k = 0; k < 16; k++) {
            double part = vote * weighing[16 * p + k];
            a[k / 4][k % 4] = a[k / 4][k % 4] + part;
        }
        double x = vote * pull[2 * p], y = vote * pull[2 * p + 1];
        for (int k = 0; k < 4; k++) {
            double px = x * rows[8 * p + k], py = y * rows[8 * p + 4 + k];
            double part = px + py;
            b[k] = b[k] + part;
        }
    }
    double size = a[0][0] + a[1][1] + 1e-9;
    for (int k = 0; k < 4; k++) {
        double part = size * lean[k];
        a[k][k] = a[k][k] + part;
    }
    solve_four(a, b, theta);
}

/* ------------------------------------------------------------------ Python's side */

/* Returns where the floats are, lying dense in so many dimensions, else NULL. */
static float *hold_small(Held *held, PyObject *from, int dimensions, int written)
{
    Py_buffer *view = &held->views[held->held];
    int flags = PyBUF_C_CONTIGUOUS | PyBUF_FORMAT | (written ? PyBUF_WRITABLE : 0);
    if (PyObject_GetBuffer(from, view, flags) < 0)
        return NULL;
    held->held++;
    if (is_format(view, "f") && view->ndim == dimensions)
        return view->buf;
    PyErr_SetString(PyExc_ValueError, "small pictures want dense arrays of float32");
    return NULL;
}

PyObject *smooth_small(PyObject *self, PyObject *given)
{
    (void)self;
    PyObject *from[2];
    float weights[REACH + 1];
    if (!PyArg_ParseTuple(given, "OO(fffff)", &from[0], &from[1], &weights[0], &weights[1],
                          &weights[2], &weights[3], &weights[4]))
        return NULL;
    Held held = {.held = 0};
    const float *picture = hold_small(&held, from[0], 2, 0);
    float *out = picture == NULL ? NULL : hold_small(&held, from[1], 2, 1);
    if (out == NULL)
        return refuse(&held, NULL);
    const Py_ssize_t *shape = held.views[0].shape, *to = held.views[1].shape;
    if (shape[0] <= REACH || shape[1] <= REACH || shape[0] != to[0] || shape[1] != to[1])
        return refuse(&held, "a picture and its smooth one must be alike, and no smaller "
                             "than the smoothing");
    float *line = malloc((size_t)(shape[1] + 2 * REACH) * sizeof *line);
    if (line == NULL) {
        let_go(&held);
        return PyErr_NoMemory();
    }
    smooth(picture, shape[0], shape[1], weights, line, out);
    free(line);
    return done(&held);
}

PyObject *patch_sums(PyObject *self, PyObject *given)
{
    (void)self;
    PyObject *from[4];
    Patches of;
    Py_ssize_t top, left;
    float *a = of.across, *d = of.down;
    if (!PyArg_ParseTuple(given, "OOOOnnn(ffff)(ffff)", &from[0], &from[1], &from[2],
                          &from[3], &of.side, &top, &left, &a[0], &a[1], &a[2], &a[3],
                          &d[0], &d[1], &d[2], &d[3]))
        return NULL;
    Held held = {.held = 0};
    of.picture = hold_small(&held, from[0], 2, 0);
    of.anchor = of.picture == NULL ? NULL : hold_small(&held, from[1], 3, 0);
    if (of.anchor == NULL)
        return refuse(&held, NULL);
    const Py_ssize_t *shape = held.views[0].shape, *inner = held.views[1].shape;
    if (inner[0] != 4 || of.side < 1 || inner[1] < 1 || inner[2] < 1 ||
        inner[1] % of.side || inner[2] % of.side)
        return refuse(&held, "an anchor must be four pictures of whole patches");
    if (top < 1 || left < 1 || top > shape[0] - inner[1] - 2 ||
        left > shape[1] - inner[2] - 2)
        return refuse(&held, "patches must lie inside their picture");
    of.stride = shape[1];
    of.picture += top * of.stride + left;
    of.rows = inner[1] / of.side;
    of.columns = inner[2] / of.side;
    of.slope = hold_doubles(&held, from[2], of.side, 0);
    double *out = of.slope == NULL
                      ? NULL
                      : hold_doubles(&held, from[3], 7 * of.rows * of.columns, 1);
    if (out == NULL)
        return refuse(&held, NULL);
    float *room = malloc((size_t)(4 + SUMS) * (size_t)inner[2] * sizeof *room);
    if (room == NULL) {
        let_go(&held);
        return PyErr_NoMemory();
    }
    sum_patches(&of, room, out);
    free(room);
    return done(&held);
}

PyObject *weigh_patches(PyObject *self, PyObject *given)
{
    (void)self;
    PyObject *from[6];
    double unlike;
    Py_ssize_t n;
    if (!PyArg_ParseTuple(given, "nOOOOOOd", &n, &from[0], &from[1], &from[2], &from[3],
                          &from[4], &from[5], &unlike))
        return NULL;
    /* Sums, facts; pull, felt, own, worth are written. */
    static const Py_ssize_t each[6] = {7, FACTS, 2, 2, 2, 1};
    double *at[6];
    Held held = {.held = 0};
    if (n < 1 || n > 65536)
        return refuse(&held, "patches want arrays of float64 that fit");
    for (int i = 0; i < 6; i++) {
        at[i] = hold_doubles(&held, from[i], n * each[i], i >= 2);
        if (at[i] == NULL)
            return refuse(&held, NULL);
    }
    weigh(at[0], at[1], n, unlike, &(Votes){at[2], at[3], at[4], at[5]});
    return done(&held);
}

PyObject *common_motion(PyObject *self, PyObject *given)
{
    (void)self;
    PyObject *from[8];
    double guess[4], scales[2], lean[4];
    Py_ssize_t n;
    if (!PyArg_ParseTuple(given, "nOOOOOOO(dddd)(dd)(dddd)", &n, &from[0], &from[1],
                          &from[2], &from[3], &from[4], &from[5], &from[6], &guess[0],
                          &guess[1], &guess[2], &guess[3], &scales[0], &scales[1],
                          &lean[0], &lean[1], &lean[2], &lean[3]))
        return NULL;
    /* felt, pull, worth, model felt, weighing, model; theta and off are written. */
    static const Py_ssize_t each[6] = {2, 2, 1, 8, 16, 8};
    const double *in[6];
    Held held = {.held = 0};
    if (n < 1 || n > 65536)
        return refuse(&held, "patches want arrays of float64 that fit");
    for (int i = 0; i < 6; i++) {
        in[i] = hold_doubles(&held, from[i], n * each[i], 0);
        if (in[i] == NULL)
            return refuse(&held, NULL);
    }
    double *theta = hold_doubles(&held, from[6], 4 + n, 1);
    if (theta == NULL)
        return refuse(&held, NULL);
    double *off = theta + 4;
    memcpy(theta, guess, sizeof guess);
    stray(in[0], in[3], n, theta, off);
    for (int i = 0; i < 2 && scales[i] > 0; i++) {
        revote(in[1], in[2], in[4], in[5], n, scales[i], lean, off, theta);
        stray(in[0], in[3], n, theta, off);
    }
    return done(&held);
}

RANKED(ranked, double)

PyObject *first_vote(PyObject *self, PyObject *given)
{
    (void)self;
    PyObject *own_from, *worth_from;
    double rest[2], still, follows, guess[2] = {0.0, 0.0}, spread = 0.0;
    Py_ssize_t n, m = 0, resting = 0, together = 0;
    if (!PyArg_ParseTuple(given, "nOO(dd)dd", &n, &own_from, &worth_from, &rest[0],
                          &rest[1], &still, &follows))
        return NULL;
    Held held = {.held = 0};
    const double *own, *worth;
    if (n < 1 || n > 65536 || (own = hold_doubles(&held, own_from, 2 * n, 0)) == NULL ||
        (worth = hold_doubles(&held, worth_from, n, 0)) == NULL)
        return refuse(&held, PyErr_Occurred() ? NULL : "so many patches have no vote");
    double *off = malloc((size_t)n * sizeof(double));
    if (off == NULL) {
        let_go(&held);
        return PyErr_NoMemory();
    }
    for (int way = 0; way < 2; way++) {
        m = 0;
        for (Py_ssize_t i = 0; i < n; i++)
            if (worth[i] > 0)
                off[m++] = own[2 * i + way];
        if (m > 0)
            guess[way] = ranked(off, m, m / 2);
    }
    m = 0;
    for (Py_ssize_t i = 0; i < n; i++) {
        if (!(worth[i] > 0))
            continue;
        resting += hypot(own[2 * i] - rest[0], own[2 * i + 1] - rest[1]) < still;
        off[m] = hypot(own[2 * i] - guess[0], own[2 * i + 1] - guess[1]);
        together += off[m++] < follows;
    }
    if (m > 0)
        spread = ranked(off, m, m / 2);
    free(off);
    let_go(&held);
    return Py_BuildValue("ndddnn", m, guess[0], guess[1], spread, resting, together);
}
