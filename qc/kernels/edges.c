/* How steep and how bent edges are: what few of a plane's differences reach. */
#include "planes.h"

#define MOST_SCALE 32 /* sums of so many pixels each way, eightfold, fit 32 bits */
#define TOGETHER 16   /* differences */

/* Differences by size, in bins. Only the largest matter: smaller ones than enough are
 * known to exceed are not counted any more. */
typedef struct {
    uint32_t *counts;
    int32_t bins, least;   /* the lowest bin that is counted */
    int64_t counted, past; /* from there on; in no bin */
} Steps;

/* A plane is read along picked lines, or columns, of squares. */
typedef struct {
    Py_ssize_t scale, step; /* pixels of a square's side; from one line to the next */
    int shift;              /* bits to take off four times a difference */
    int64_t enough;
    int32_t *room; /* what comes of one line, and none of the rest of `TOGETHER` */
    Steps slope, bend;
} Edges;

CLONES static void count_steps(const int32_t *at, Py_ssize_t n, Steps *steps)
{
    for (Py_ssize_t x = 0; x < n; x += TOGETHER, at += TOGETHER) {
        int32_t most = -1;
        for (int k = 0; k < TOGETHER; k++)
            most = at[k] > most ? at[k] : most;
        if (most < steps->least)
            continue;
        for (int k = 0; k < TOGETHER; k++) {
            if (at[k] < steps->least)
                continue;
            if (at[k] >= steps->bins) {
                steps->past++;
                continue;
            }
            steps->counts[at[k]]++;
            steps->counted++;
        }
    }
}

static void leave_out(Steps *steps, int64_t enough)
{
    while (steps->least + 1 < steps->bins &&
           steps->counted - steps->counts[steps->least] >= enough)
        steps->counted -= steps->counts[steps->least++];
}

/* Three sums beside each other, so many times. */
CLONES static void find_steps(const int32_t *before, const int32_t *here,
                              const int32_t *after, Py_ssize_t n, int shift,
                              int32_t *slopes, int32_t *bends)
{
    for (Py_ssize_t i = 0; i < n; i++) {
        int32_t slope = after[i] - before[i], bend = before[i] + after[i] - 2 * here[i];
        slopes[i] = ((slope < 0 ? -slope : slope) << 2) >> shift;
        bends[i] = ((bend < 0 ? -bend : bend) << 2) >> shift;
    }
}

static void add_steps(Edges *e, const int32_t *before, const int32_t *here,
                      const int32_t *after, Py_ssize_t n)
{
    int32_t *slopes = e->room, *bends = slopes + n + TOGETHER;
    find_steps(before, here, after, n, e->shift, slopes, bends);
    for (Py_ssize_t i = n; i < n + TOGETHER; i++)
        slopes[i] = bends[i] = -1;
    count_steps(slopes, n, &e->slope);
    count_steps(bends, n, &e->bend);
    leave_out(&e->slope, e->enough);
    leave_out(&e->bend, e->enough);
}

/* Sums over squares whose left sides lie `apart`, on the lines from y on. */
#define SQUARES(NAME, CODE)                                                            \
    CLONES static void NAME(const Plane *p, Py_ssize_t y, Py_ssize_t side,             \
                            Py_ssize_t apart, Py_ssize_t n, int32_t *out)              \
    {                                                                                  \
        const CODE *row = (const CODE *)line(p, y);                                    \
        if (apart == 1) {                                                              \
            for (Py_ssize_t i = 0; i < n; i++)                                         \
                out[i] = row[i];                                                       \
            return;                                                                    \
        }                                                                              \
        memset(out, 0, (size_t)n * sizeof(int32_t));                                   \
        for (Py_ssize_t k = 0; k < side; k++) {                                        \
            row = (const CODE *)line(p, y + k);                                        \
            for (Py_ssize_t i = 0; i < n; i++)                                         \
                for (Py_ssize_t x = i * apart; x < i * apart + side; x++)              \
                    out[i] += row[x];                                                  \
        }                                                                              \
    }
SQUARES(squares_8, uint8_t)
SQUARES(squares_16, uint16_t)

static void find_squares(const Plane *p, Py_ssize_t y, Py_ssize_t side, Py_ssize_t apart,
                         Py_ssize_t n, int32_t *out)
{
    (p->wide ? squares_16 : squares_8)(p, y, side, apart, n, out);
}

/* room: three lines of sums. */
static void read_edges(const Plane *p, Edges *e, int down, int32_t *room)
{
    Py_ssize_t s = e->scale, across = p->width / s, lines = p->height / s;
    if (!down) {
        for (Py_ssize_t y = 0; across > 2 && y < lines * s; y += e->step) {
            find_squares(p, y, s, s, across, room);
            add_steps(e, room, room + 1, room + 2, across - 2);
        }
        return;
    }
    /* Line by line through the memory. */
    Py_ssize_t picked = (across * s + e->step - 1) / e->step;
    int32_t *older = room, *last = older + picked, *sums = last + picked;
    for (Py_ssize_t i = 0; i < lines; i++) {
        find_squares(p, i * s, s, e->step, picked, sums);
        if (i > 1)
            add_steps(e, older, last, sums, picked);
        int32_t *spare = older;
        older = last;
        last = sums;
        sums = spare;
    }
}

static int64_t how_many(const Plane *p, const Edges *e, int down)
{
    Py_ssize_t s = e->scale, across = p->width / s, lines = p->height / s;
    Py_ssize_t side = (down ? across : lines) * s, length = (down ? lines : across) - 2;
    return length > 0 ? (int64_t)((side + e->step - 1) / e->step) * length : 0;
}

/* The bin that this share of what is in bins reaches; the uppermost if there is none. */
static int32_t bin_of(const Steps *steps, int64_t all, double percent)
{
    double wanted = (double)(all - steps->past) * percent / 100.0;
    int32_t bin = steps->bins - 1;
    uint64_t above = steps->counts[bin];
    while ((double)above < wanted && bin > 0)
        above += steps->counts[--bin];
    return bin;
}

/* ------------------------------------------------------------------ Python's side */

PyObject *edge_steps(PyObject *self, PyObject *given)
{
    (void)self;
    PyObject *plane_from;
    Edges e = {0};
    int down, bins;
    double percent;
    if (!PyArg_ParseTuple(given, "Onnpiid", &plane_from, &e.scale, &e.step, &down,
                          &e.shift, &bins, &percent))
        return NULL;
    Held held = {.held = 0};
    Plane p;
    if (hold_plane(&held, plane_from, &p) < 0)
        return refuse(&held, NULL);
    if (e.scale < 1 || e.scale > MOST_SCALE || e.step < e.scale || e.step % e.scale ||
        e.shift < 0 || e.shift > 30 || bins < 1 || bins > PAIRS || p.height < e.scale ||
        p.width < e.scale || !(percent >= 0.0 && percent <= 100.0))
        return refuse(&held, "steps must be whole squares, within the plane");
    Py_ssize_t longest = p.width / e.scale;
    int32_t *room = malloc((size_t)(5 * longest + 2 * TOGETHER) * sizeof(int32_t));
    uint32_t *counts = calloc(2 * (size_t)bins, sizeof(uint32_t));
    int32_t slope = 0, bend = 0;
    int ready = room != NULL && counts != NULL;
    if (ready) {
        e.room = room + 3 * longest;
        e.slope = (Steps){counts, bins, 0, 0, 0};
        e.bend = (Steps){counts + bins, bins, 0, 0, 0};
        Py_BEGIN_ALLOW_THREADS
        int64_t all = how_many(&p, &e, down);
        e.enough = (int64_t)((double)all * percent / 100.0) + 1;
        read_edges(&p, &e, down, room);
        slope = bin_of(&e.slope, all, percent);
        bend = bin_of(&e.bend, all, percent);
        Py_END_ALLOW_THREADS
    }
    free(room);
    free(counts);
    let_go(&held);
    if (!ready)
        return PyErr_NoMemory();
    return Py_BuildValue("ii", slope, bend);
}
