/* Where R', G' or B' is at its end, from planes of Y'CbCr at their own resolution. */
#include "planes.h"

/* ------------------------------------------------------------------ colour channels */

/* A channel is at its end where luma is over a threshold that chroma decides: whole
 * codes, (base - of_cb Cb - of_cr Cr) >> bits, cut to what a code may be. Sums wrap. */
typedef struct {
    const int64_t *lines; /* base, of_cb, of_cr of each channel */
    int bits;
} Ends;

typedef struct {
    Plane y, cb, cr, mask; /* mask.data NULL: all are judged */
    Py_ssize_t down, across;
} Coloured;

static int32_t end_at(const Ends *e, Py_ssize_t channel, uint32_t cb, uint32_t cr,
                      int32_t top)
{
    const int64_t *l = e->lines + 3 * channel;
    uint32_t wide = (uint32_t)l[0] - (uint32_t)l[1] * cb - (uint32_t)l[2] * cr;
    int32_t v = (int32_t)wide >> e->bits;
    return v < 0 ? 0 : (v > top ? top : v);
}

#define BLOCK 128 /* places counted together: no more than 8 bits hold */

/* One line of thresholds, as wide as luma. */
#define ENDS(NAME, CODE, TOP)                                                          \
    CLONES static void NAME##_line(const CODE *cb, const CODE *cr, Py_ssize_t n,       \
                                   uint32_t base, uint32_t of_cb, uint32_t of_cr,      \
                                   int bits, CODE *out)                                \
    {                                                                                  \
        for (Py_ssize_t i = 0; i < n; i++) {                                           \
            int32_t v = (int32_t)(base - of_cb * cb[i] - of_cr * cr[i]) >> bits;       \
            v = v < 0 ? 0 : v;                                                         \
            out[i] = (CODE)(v > TOP ? TOP : v);                                        \
        }                                                                              \
    }                                                                                  \
    CLONES static void NAME##_widen(const CODE *narrow, Py_ssize_t across,             \
                                    Py_ssize_t n, CODE *out)                           \
    {                                                                                  \
        Py_ssize_t whole = n / across;                                                 \
        if (across == 2)                                                               \
            for (Py_ssize_t i = 0; i < whole; i++)                                     \
                out[2 * i] = out[2 * i + 1] = narrow[i];                               \
        else                                                                           \
            for (Py_ssize_t i = 0; i < whole; i++)                                     \
                for (Py_ssize_t k = 0; k < across; k++)                                \
                    out[i * across + k] = narrow[i];                                   \
        for (Py_ssize_t x = whole * across; x < n; x++)                                \
            out[x] = narrow[whole];                                                    \
    }                                                                                  \
    CLONES static void NAME##_least(const CODE *a, Py_ssize_t n, CODE *out)            \
    {                                                                                  \
        for (Py_ssize_t i = 0; i < n; i++)                                             \
            out[i] = a[i] < out[i] ? a[i] : out[i];                                    \
    }                                                                                  \
    /* The least of three upper ends and the greatest of the three lower ones, which   \
     * have the same shares of chroma. */                                              \
    CLONES static void NAME##_both(const CODE *cb, const CODE *cr, Py_ssize_t n,       \
                                   const Ends *e, CODE *low, CODE *high)               \
    {                                                                                  \
        uint32_t from[3][4];                                                           \
        const int bits = e->bits;                                                      \
        for (int k = 0; k < 3; k++) {                                                  \
            for (int i = 0; i < 3; i++)                                                \
                from[k][i] = (uint32_t)e->lines[3 * k + i];                            \
            from[k][3] = (uint32_t)e->lines[3 * (k + 3)];                              \
        }                                                                              \
        for (Py_ssize_t i = 0; i < n; i++) {                                           \
            int32_t most = INT32_MIN, least = INT32_MAX;                               \
            for (int k = 0; k < 3; k++) {                                              \
                uint32_t off = from[k][1] * cb[i] + from[k][2] * cr[i];                \
                int32_t v = (int32_t)(from[k][0] - off) >> bits;                       \
                least = v < least ? v : least;                                         \
                v = (int32_t)(from[k][3] - off) >> bits;                               \
                most = v > most ? v : most;                                            \
            }                                                                          \
            least = least < 0 ? 0 : least;                                             \
            high[i] = (CODE)(least > TOP ? TOP : least);                               \
            most = most < 0 ? 0 : most;                                                \
            low[i] = (CODE)(most > TOP ? TOP : most);                                  \
        }                                                                              \
    }                                                                                  \
    CLONES static void NAME##_range(const CODE *a, Py_ssize_t n, CODE *low, CODE *high) \
    {                                                                                  \
        CODE least = TOP, most = 0;                                                    \
        for (Py_ssize_t i = 0; i < n; i++) {                                           \
            least = a[i] < least ? a[i] : least;                                       \
            most = a[i] > most ? a[i] : most;                                          \
        }                                                                              \
        *low = least;                                                                  \
        *high = most;                                                                  \
    }                                                                                  \
    CLONES static void NAME##_low(const CODE *y, const uint8_t *mask, Py_ssize_t n,    \
                                  CODE level, CODE *out)                               \
    {                                                                                  \
        if (mask == NULL)                                                              \
            for (Py_ssize_t i = 0; i < n; i++)                                         \
                out[i] = y[i] < level ? y[i] : 0;                                      \
        else                                                                           \
            for (Py_ssize_t i = 0; i < n; i++)                                         \
                out[i] = y[i] < level && mask[i] ? y[i] : 0;                           \
    }                                                                                  \
    /* Luma less the threshold, 0 where that is negative; how many are more. Adds to      \
     * where, by blocks, they begin and end. */                                         \
    CLONES static Py_ssize_t NAME##_excess(const CODE *y, const CODE *end,             \
                                           Py_ssize_t n, CODE *out, Py_ssize_t *from,  \
                                           Py_ssize_t *to)                             \
    {                                                                                  \
        Py_ssize_t all = 0;                                                            \
        for (Py_ssize_t x = 0; x < n;) {                                               \
            Py_ssize_t begin = x, stop = n - x > BLOCK ? x + BLOCK : n;                \
            CODE some = 0;                                                             \
            for (; x < stop; x++) {                                                    \
                out[x] = (CODE)(y[x] > end[x] ? y[x] - end[x] : 0);                    \
                some = (CODE)(some + (y[x] > end[x]));                                 \
            }                                                                          \
            if (some) {                                                                \
                *from = begin < *from ? begin : *from;                                 \
                *to = stop;                                                            \
            }                                                                          \
            all += some;                                                               \
        }                                                                              \
        return all;                                                                    \
    }                                                                                  \
    CLONES static Py_ssize_t NAME##_over(const CODE *a, Py_ssize_t n, CODE step)       \
    {                                                                                  \
        Py_ssize_t all = 0;                                                            \
        for (Py_ssize_t x = 0; x < n;) {                                               \
            Py_ssize_t stop = n - x > BLOCK ? x + BLOCK : n;                               \
            CODE some = 0;                                                             \
            for (; x < stop; x++)                                                      \
                some = (CODE)(some + (a[x] > step));                                   \
            all += some;                                                               \
        }                                                                              \
        return all;                                                                    \
    }                                                                                  \
    CLONES static Py_ssize_t NAME##_outside(const CODE *y, const CODE *low,            \
                                            const CODE *high, Py_ssize_t n)            \
    {                                                                                  \
        Py_ssize_t all = 0;                                                            \
        for (Py_ssize_t x = 0; x < n;) {                                               \
            Py_ssize_t stop = n - x > BLOCK ? x + BLOCK : n;                               \
            CODE some = 0;                                                             \
            for (; x < stop; x++)                                                      \
                some = (CODE)(some + ((y[x] < low[x]) | (y[x] > high[x])));            \
            all += some;                                                               \
        }                                                                              \
        return all;                                                                    \
    }
ENDS(ends_8, uint8_t, 255)
ENDS(ends_16, uint16_t, 65535)

typedef struct {
    int64_t *counts;       /* red, green, blue, any of them; over each step */
    const int64_t *steps;
    Py_ssize_t n;          /* of them */
    int64_t *luma;         /* codes of luma over each step, on picked lines */
    Py_ssize_t codes, every;
    Py_ssize_t level;
    char *area;            /* how far over, at every second place, or NULL */
    Py_ssize_t area_height, area_width, area_step;
} Look;

/* Lowest threshold that the line's extremes allow, for each channel: where luma under
 * the level cannot be over it, the line is done. */
static int reaches(const Ends *e, Py_ssize_t channel, const uint32_t *cb,
                   const uint32_t *cr, int32_t top, int32_t level)
{
    int32_t least = top;
    for (int i = 0; i < 2; i++)
        for (int j = 0; j < 2; j++) {
            int32_t v = end_at(e, channel, cb[i], cr[j], top);
            least = v < least ? v : least;
        }
    return level - 1 > least;
}

static inline void ask_for_chroma(const Coloured *c, Py_ssize_t at)
{
    if (at >= c->cb.height)
        return;
    ask_for(line(&c->cb, at), c->cb.width << c->cb.wide);
    ask_for(line(&c->cr, at), c->cr.width << c->cr.wide);
}

/* room: eight lines of luma. */
#define LOOK(NAME, CODE, TOP, E)                                                       \
    static void NAME##_counts(const CODE *a, Py_ssize_t n, const Look *look,           \
                              int64_t *counts, Py_ssize_t first)                       \
    {                                                                                  \
        counts[0] += first;                                                            \
        for (Py_ssize_t i = 1; first && i < look->n; i++)                              \
            counts[i] += first = E##_over(a, n, (CODE)look->steps[i]);                 \
    }                                                                                  \
    /* ends: as wide as chroma; least: of them, as wide as luma. */                    \
    static void NAME##_line(const Coloured *c, const Look *look, Py_ssize_t y,         \
                            const CODE *const *ends, const CODE *least, CODE *low,     \
                            CODE *excess, CODE *wide)                                  \
    {                                                                                  \
        Py_ssize_t n = c->y.width, from = n, to = 0, all_from = n, all_to = 0;         \
        const uint8_t *mask = NULL;                                                    \
        if (c->mask.data != NULL)                                                      \
            mask = (const uint8_t *)line(&c->mask, y);                                 \
        E##_low((const CODE *)line(&c->y, y), mask, n, (CODE)look->level, low);        \
        Py_ssize_t first = E##_excess(low, least, n, excess, &from, &to);              \
        if (!first)                                                                    \
            return;                                                                    \
        NAME##_counts(excess + from, to - from, look, look->counts + 3 * look->n,      \
                      first);                                                          \
        if (look->area != NULL && y % look->area_step == 0) {                          \
            CODE *out = (CODE *)look->area + y / look->area_step * look->area_width;   \
            for (Py_ssize_t x = from / 2; 2 * x < to; x++)                             \
                out[x] = excess[2 * x];                                                \
        }                                                                              \
        if (y / c->down % look->every == 0)                                            \
            for (Py_ssize_t x = from; x < to; x++)                                     \
                for (Py_ssize_t i = 0; i < look->n && excess[x] > look->steps[i]; i++) \
                    look->luma[i * look->codes + low[x]]++;                            \
        for (Py_ssize_t k = 0; k < 3; k++)                                             \
            if (ends[k] != NULL) {                                                     \
                /* Blocks begin where a sample of chroma does. */                      \
                E##_widen(ends[k] + from / c->across, c->across, to - from, wide);     \
                first = E##_excess(low + from, wide, to - from, excess, &all_from,     \
                                   &all_to);                                           \
                NAME##_counts(excess, to - from, look, look->counts + k * look->n,     \
                              first);                                                  \
            }                                                                          \
    }                                                                                  \
    static void NAME(const Coloured *c, const Ends *e, const Look *look, CODE *room)   \
    {                                                                                  \
        Py_ssize_t n = c->y.width, m = (n + c->across - 1) / c->across;                \
        for (Py_ssize_t y = 0; y < c->y.height; y += c->down) {                        \
            Py_ssize_t at = y / c->down;                                               \
            at = at < c->cb.height ? at : c->cb.height - 1;                            \
            ask_for_chroma(c, at + 1);                                                 \
            const CODE *cb = (const CODE *)line(&c->cb, at);                           \
            const CODE *cr = (const CODE *)line(&c->cr, at), *ends[3];                 \
            CODE low, high, *least = NULL;                                             \
            E##_range(cb, m, &low, &high);                                             \
            uint32_t of_cb[2] = {low, high};                                           \
            E##_range(cr, m, &low, &high);                                             \
            uint32_t of_cr[2] = {low, high};                                           \
            for (Py_ssize_t k = 0; k < 3; k++) {                                       \
                ends[k] = NULL;                                                        \
                if (!reaches(e, k, of_cb, of_cr, TOP, (int32_t)look->level))           \
                    continue;                                                          \
                const int64_t *l = e->lines + 3 * k;                                   \
                CODE *narrow = room + k * n;                                           \
                E##_line(cb, cr, m, (uint32_t)l[0], (uint32_t)l[1], (uint32_t)l[2],    \
                         e->bits, narrow);                                             \
                ends[k] = narrow;                                                      \
                if (least == NULL) {                                                   \
                    least = room + 3 * n;                                              \
                    memcpy(least, narrow, (size_t)m * sizeof(CODE));                   \
                } else                                                                 \
                    E##_least(narrow, m, least);                                       \
            }                                                                          \
            if (least == NULL)                                                         \
                continue;                                                              \
            E##_widen(least, c->across, n, room + 4 * n);                              \
            for (Py_ssize_t k = y; k < y + c->down && k < c->y.height; k++)            \
                NAME##_line(c, look, k, ends, room + 4 * n, room + 5 * n,              \
                            room + 6 * n, room + 7 * n);                               \
        }                                                                              \
    }                                                                                  \
    /* e: three channels' upper ends, then their lower ones. */                        \
    static int64_t NAME##_range(const Coloured *c, const Ends *e, CODE *room)          \
    {                                                                                  \
        Py_ssize_t n = c->y.width, m = (n + c->across - 1) / c->across;                \
        CODE *high = room, *low = room + n, *high_of = room + 2 * n,                   \
             *low_of = room + 3 * n;                                                   \
        int64_t outside = 0;                                                           \
        for (Py_ssize_t y = 0; y < c->y.height; y += c->down) {                        \
            Py_ssize_t at = y / c->down;                                               \
            at = at < c->cb.height ? at : c->cb.height - 1;                            \
            ask_for_chroma(c, at + 1);                                                 \
            E##_both((const CODE *)line(&c->cb, at), (const CODE *)line(&c->cr, at),   \
                     m, e, low_of, high_of);                                           \
            E##_widen(high_of, c->across, n, high);                                    \
            E##_widen(low_of, c->across, n, low);                                      \
            for (Py_ssize_t k = y; k < y + c->down && k < c->y.height; k++)            \
                outside += E##_outside((const CODE *)line(&c->y, k), low, high, n);    \
        }                                                                              \
        return outside;                                                                \
    }
LOOK(look_8, uint8_t, 255, ends_8)
LOOK(look_16, uint16_t, 65535, ends_16)

/* At places on a grid of chroma: how many are at an end under the level, and of how
 * many; or codes of the channels, shifted to 8 bits, if counts are wanted. */
static void read_places(const Coloured *c, const Ends *e, const Py_ssize_t *steps,
                        int32_t level, int64_t *found, int64_t *counts, Py_ssize_t bins, int shift)
{
    int32_t top = c->y.wide ? 65535 : 255;
    found[0] = found[1] = 0;
    for (Py_ssize_t i = 0; i < c->cb.height && i * c->down < c->y.height; i += steps[0]) {
        const char *luma = line(&c->y, i * c->down);
        const char *cb_line = line(&c->cb, i), *cr_line = line(&c->cr, i);
        ask_for_chroma(c, i + steps[0]);
        for (Py_ssize_t j = 0; j < c->cb.width && j * c->across < c->y.width; j += steps[1]) {
            int32_t y = (int32_t)code_at(&c->y, luma, j * c->across), least = top;
            uint32_t cb = (uint32_t)code_at(&c->cb, cb_line, j);
            uint32_t cr = (uint32_t)code_at(&c->cr, cr_line, j);
            found[1]++;
            for (Py_ssize_t k = 0; k < 3; k++) {
                if (counts == NULL) {
                    int32_t end = end_at(e, k, cb, cr, top);
                    least = end < least ? end : least;
                    continue;
                }
                /* Here the lines hold half a step less the shift of the channel. */
                const int64_t *l = e->lines + 3 * k;
                int64_t code = ((int64_t)y << e->bits) + l[0] + l[1] * cb + l[2] * cr;
                code >>= e->bits + shift;
                code = code < 0 ? 0 : (code < bins ? code : bins - 1);
                counts[k * bins + code]++;
            }
            found[0] += (y < level) & (y > least);
        }
    }
}

/* ------------------------------------------------------------------ Python's side */

/* given: (y, cb, cr, down, across), then the ends' lines and bits. */
static int hold_colours(Held *held, PyObject *planes, PyObject *lines_from, Py_ssize_t ends,
                        Coloured *c, Ends *e)
{
    PyObject *y, *cb, *cr;
    c->mask.data = NULL;
    if (!PyArg_ParseTuple(planes, "OOOnn", &y, &cb, &cr, &c->down, &c->across) ||
        hold_plane(held, y, &c->y) < 0 || hold_plane(held, cb, &c->cb) < 0 ||
        hold_plane(held, cr, &c->cr) < 0)
        return -1;
    e->lines = hold_numbers(held, lines_from, 3 * ends);
    if (e->lines == NULL)
        return -1;
    if (!same_shape(&c->cb, &c->cr) || c->cb.wide != c->y.wide || c->down < 1 ||
        c->down > 4 || c->across < 1 || c->across > 4 || c->cb.height < 1 ||
        c->y.width < 1 || c->cb.width < (c->y.width + c->across - 1) / c->across ||
        e->bits < 1 || e->bits > 24) {
        PyErr_SetString(PyExc_ValueError, "chroma does not belong to luma");
        return -1;
    }
    return 0;
}

/* Returns 1 for a half-sized picture of the plane's type, 0 for None, -1 for neither. */
static int hold_area(Held *held, PyObject *from, const Plane *y, Look *look)
{
    look->area = NULL;
    if (from == Py_None)
        return 0;
    Py_buffer *view = &held->views[held->held];
    if (PyObject_GetBuffer(from, view,
                           PyBUF_C_CONTIGUOUS | PyBUF_WRITABLE | PyBUF_FORMAT) < 0)
        return -1;
    held->held++;
    Py_ssize_t step = look->area_step;
    if (view->ndim != 2 || !is_format(view, y->wide ? "H" : "B") || step < 1 ||
        view->shape[0] != (y->height + step - 1) / step ||
        view->shape[1] != (y->width + 1) / 2) {
        PyErr_SetString(PyExc_ValueError, "the area must be half as wide as luma");
        return -1;
    }
    look->area = view->buf;
    look->area_height = view->shape[0];
    look->area_width = view->shape[1];
    return 1;
}

PyObject *channel_look(PyObject *self, PyObject *given)
{
    (void)self;
    PyObject *planes, *mask, *lines, *steps, *counts, *luma, *area;
    Ends e;
    Look look;
    Py_ssize_t top;
    if (!PyArg_ParseTuple(given, "O!OOinOnOOnnOn", &PyTuple_Type, &planes, &mask, &lines,
                          &e.bits, &look.level, &steps, &look.n, &counts, &luma,
                          &look.codes, &look.every, &area, &look.area_step))
        return NULL;
    Held held = {.held = 0};
    Coloured c;
    if (hold_colours(&held, planes, lines, 3, &c, &e) < 0)
        return refuse(&held, NULL);
    if (mask != Py_None) {
        if (hold_plane(&held, mask, &c.mask) < 0)
            return refuse(&held, NULL);
        if (c.mask.wide || c.mask.height != c.y.height || c.mask.width != c.y.width)
            return refuse(&held, "the mask must have the size of luma, in 8 bits");
    }
    top = c.y.wide ? 65535 : 255;
    if (look.n < 1 || look.n > 64 || look.every < 1 || look.level < 0 ||
        look.level > top || look.codes < look.level || look.codes > PAIRS)
        return refuse(&held, "level and steps must be codes");
    /* Seven buffers with the mask, eight with the area: steps share their room. */
    int64_t own_steps[64], *numbers = hold_numbers(&held, steps, look.n);
    if (numbers == NULL)
        return refuse(&held, NULL);
    memcpy(own_steps, numbers, (size_t)look.n * sizeof(int64_t));
    PyBuffer_Release(&held.views[--held.held]);
    for (Py_ssize_t i = 0; i < look.n; i++)
        if (own_steps[i] < 0 || own_steps[i] > top)
            return refuse(&held, "level and steps must be codes");
    look.steps = own_steps;
    look.counts = hold_numbers(&held, counts, 4 * look.n);
    if (look.counts == NULL)
        return refuse(&held, NULL);
    look.luma = hold_numbers(&held, luma, look.n * look.codes);
    if (look.luma == NULL || hold_area(&held, area, &c.y, &look) < 0)
        return refuse(&held, NULL);
    void *room = malloc(8 * (size_t)(c.y.width + 1) * sizeof(uint16_t));
    if (room == NULL) {
        let_go(&held);
        return PyErr_NoMemory();
    }
    Py_BEGIN_ALLOW_THREADS
    if (c.y.wide)
        look_16(&c, &e, &look, room);
    else
        look_8(&c, &e, &look, room);
    Py_END_ALLOW_THREADS
    free(room);
    return done(&held);
}

PyObject *channel_range(PyObject *self, PyObject *given)
{
    (void)self;
    PyObject *planes, *lines;
    Ends e;
    if (!PyArg_ParseTuple(given, "O!Oi", &PyTuple_Type, &planes, &lines, &e.bits))
        return NULL;
    Held held = {.held = 0};
    Coloured c;
    if (hold_colours(&held, planes, lines, 6, &c, &e) < 0)
        return refuse(&held, NULL);
    void *room = malloc(4 * (size_t)(c.y.width + 1) * sizeof(uint16_t));
    if (room == NULL) {
        let_go(&held);
        return PyErr_NoMemory();
    }
    int64_t outside;
    Py_BEGIN_ALLOW_THREADS
    outside = c.y.wide ? look_16_range(&c, &e, room) : look_8_range(&c, &e, room);
    Py_END_ALLOW_THREADS
    free(room);
    let_go(&held);
    return PyLong_FromLongLong((long long)outside);
}

PyObject *channel_places(PyObject *self, PyObject *given)
{
    (void)self;
    PyObject *planes, *lines, *counts_from;
    Ends e;
    Py_ssize_t steps[2], bins;
    int level, shift;
    if (!PyArg_ParseTuple(given, "O!Oi(nn)iOni", &PyTuple_Type, &planes, &lines, &e.bits,
                          &steps[0], &steps[1], &level, &counts_from, &bins, &shift))
        return NULL;
    Held held = {.held = 0};
    Coloured c;
    if (hold_colours(&held, planes, lines, 3, &c, &e) < 0)
        return refuse(&held, NULL);
    if (steps[0] < 1 || steps[1] < 1 || shift < 0 || shift > 8 || bins < 1 || bins > PAIRS)
        return refuse(&held, "places want a step, and counts some bins");
    int64_t *counts = NULL;
    if (counts_from != Py_None) {
        counts = hold_numbers(&held, counts_from, 3 * bins);
        if (counts == NULL)
            return refuse(&held, NULL);
    }
    int64_t found[2];
    Py_BEGIN_ALLOW_THREADS
    read_places(&c, &e, steps, level, found, counts, bins, shift);
    Py_END_ALLOW_THREADS
    let_go(&held);
    return Py_BuildValue("LL", (long long)found[0], (long long)found[1]);
}
