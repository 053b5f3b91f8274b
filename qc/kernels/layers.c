/* Looks laid over each other: what lies between places of a map, and middles of many.
 *
 * In single precision, each operation rounded by itself and in a fixed order: the
 * numbers are the same whatever the machine has.
 */
#include "planes.h"
#include "exact.h"

#if defined(__SSE2__)
#include <emmintrin.h>
#endif

#define BLOCK 256 /* places whose middle is found together */
#define MOST_LOOKS 64

/* Of a line, between which four places each of its own lies, and how far. */
typedef struct {
    int32_t *at;
    float *x, *y;
} Between;

/* Comparisons that find a middle: for each the two, and which of both are wanted. */
typedef struct {
    const int64_t *steps;
    Py_ssize_t count;
} Network;

/* The border goes on outside; where `within` is set, nothing is known there. */
CLONES static void find_between(const float *restrict ways, float sign, Py_ssize_t row,
                                Py_ssize_t h, Py_ssize_t w, int within,
                                int32_t *restrict at, float *restrict right,
                                float *restrict down)
{
    float last_x = (float)(w - 1), last_y = (float)(h - 1), from = (float)row;
    int32_t most_x = (int32_t)w - 2, most_y = (int32_t)h - 2, across = (int32_t)w;
    float outside = within ? NAN : 0.0f;
    for (Py_ssize_t c = 0; c < w; c++) {
        float x = (float)(int32_t)c + sign * ways[2 * c], y = from + sign * ways[2 * c + 1];
        float in_x = x > 0.0f ? x : 0.0f, in_y = y > 0.0f ? y : 0.0f;
        in_x = in_x < last_x ? in_x : last_x;
        in_y = in_y < last_y ? in_y : last_y;
        int32_t i = (int32_t)in_x, j = (int32_t)in_y;
        i = i < most_x ? i : most_x;
        j = j < most_y ? j : most_y;
        at[c] = j * across + i;
        right[c] = in_x - (float)i;
        down[c] = (in_y - (float)j) + (x == in_x && y == in_y ? 0.0f : outside);
    }
}

/* Four places are loaded one after the other, in pairs: gathering is slower. */
#if defined(__SSE2__)
static inline __m128 pairs_of(const float *one, const float *two)
{
    __m128 both = _mm_loadl_pi(_mm_setzero_ps(), (const __m64 *)one);
    return _mm_loadh_pi(both, (const __m64 *)two);
}

static inline __m128 mixed(__m128 from, __m128 to, __m128 share)
{
    return _mm_add_ps(from, _mm_mul_ps(share, _mm_sub_ps(to, from)));
}

static inline __m128 line_between(const float *const *near, Py_ssize_t down, __m128 right)
{
    __m128 one = pairs_of(near[0] + down, near[1] + down);
    __m128 two = pairs_of(near[2] + down, near[3] + down);
    return mixed(_mm_shuffle_ps(one, two, _MM_SHUFFLE(2, 0, 2, 0)),
                 _mm_shuffle_ps(one, two, _MM_SHUFFLE(3, 1, 3, 1)), right);
}
#endif

/* What lies there, taken off what is in `maps` unless that is NULL. */
static void take_between(const float *restrict values, const Between *b, Py_ssize_t w,
                         const float *restrict maps, float *restrict out)
{
    const int32_t *restrict at = b->at;
    const float *restrict right = b->x, *restrict down = b->y;
    Py_ssize_t c = 0;
#if defined(__SSE2__)
    for (; c + 4 <= w; c += 4) {
        const float *near[4] = {values + at[c], values + at[c + 1], values + at[c + 2],
                                values + at[c + 3]};
        __m128 share = _mm_loadu_ps(right + c);
        __m128 there = mixed(line_between(near, 0, share), line_between(near, w, share),
                             _mm_loadu_ps(down + c));
        if (maps)
            there = _mm_sub_ps(_mm_loadu_ps(maps + c), there);
        _mm_storeu_ps(out + c, there);
    }
#endif
    for (; c < w; c++) {
        const float *near = values + at[c];
        float up = near[0] + right[c] * (near[1] - near[0]);
        float low = near[w] + right[c] * (near[w + 1] - near[w]);
        float there = up + down[c] * (low - up);
        out[c] = maps ? maps[c] - there : there;
    }
}

static void take_both(const float *restrict values, const Between *b, Py_ssize_t w,
                      float *restrict out)
{
    const int32_t *restrict at = b->at;
    const float *restrict right = b->x, *restrict down = b->y;
    Py_ssize_t c = 0;
#if defined(__SSE2__)
    for (; c + 2 <= w; c += 2) {
        const float *one = values + 2 * (Py_ssize_t)at[c];
        const float *two = values + 2 * (Py_ssize_t)at[c + 1];
        __m128 x = _mm_setr_ps(right[c], right[c], right[c + 1], right[c + 1]);
        __m128 y = _mm_setr_ps(down[c], down[c], down[c + 1], down[c + 1]);
        __m128 rows[2];
        for (int k = 0; k < 2; k++) {
            __m128 a = _mm_loadu_ps(one + 2 * w * k), d = _mm_loadu_ps(two + 2 * w * k);
            rows[k] = mixed(_mm_movelh_ps(a, d), _mm_movehl_ps(d, a), x);
        }
        _mm_storeu_ps(out + 2 * c, mixed(rows[0], rows[1], y));
    }
#endif
    for (; c < w; c++) {
        const float *near = values + 2 * (Py_ssize_t)at[c], *next = near + 2 * w;
        for (int k = 0; k < 2; k++) {
            float up = near[k] + right[c] * (near[k + 2] - near[k]);
            float low = next[k] + right[c] * (next[k + 2] - next[k]);
            out[2 * c + k] = up + down[c] * (low - up);
        }
    }
}

/* The two comparisons differ, lest one is made for both, and stores become masked. */
static inline float lesser_of(float a, float b) { return a < b ? a : b; }
static inline float greater_of(float a, float b) { return a > b ? a : b; }

CLONES static void order(float *restrict low, float *restrict high, Py_ssize_t n,
                         int64_t lesser, int64_t greater)
{
    if (lesser && greater)
        for (Py_ssize_t c = 0; c < n; c++) {
            float a = low[c], b = high[c];
            low[c] = lesser_of(a, b);
            high[c] = greater_of(a, b);
        }
    else if (lesser)
        for (Py_ssize_t c = 0; c < n; c++)
            low[c] = lesser_of(low[c], high[c]);
    else
        for (Py_ssize_t c = 0; c < n; c++)
            high[c] = greater_of(low[c], high[c]);
}

/* Leaves the middle of `n` lines, `apart` from each other, in the one of half of n. */
static void find_middle(const Network *net, float *lines, Py_ssize_t apart, Py_ssize_t n)
{
    for (Py_ssize_t k = 0; k < net->count; k++) {
        const int64_t *step = net->steps + 4 * k;
        order(lines + step[0] * apart, lines + step[1] * apart, n, step[2], step[3]);
    }
}

static int hold_network(Held *held, PyObject *from, Py_ssize_t n, Network *net)
{
    Py_buffer *view = &held->views[held->held];
    if (PyObject_GetBuffer(from, view, PyBUF_C_CONTIGUOUS | PyBUF_FORMAT) < 0)
        return -1;
    held->held++;
    net->steps = view->buf;
    net->count = view->len / (Py_ssize_t)(4 * sizeof(int64_t));
    int fits = is_format(view, "lq") && view->itemsize == 8 && view->len % 32 == 0;
    for (Py_ssize_t k = 0; fits && k < 4 * net->count; k += 4)
        fits = net->steps[k] >= 0 && net->steps[k] < net->steps[k + 1] &&
               net->steps[k + 1] < n;
    if (fits)
        return 0;
    PyErr_SetString(PyExc_ValueError, "comparisons of another size are wanted");
    return -1;
}

/* ------------------------------------------------------------------ calls */

PyObject *middles(PyObject *self, PyObject *given)
{
    (void)self;
    PyObject *stack, *steps, *out_from;
    Py_ssize_t n, m;
    if (!PyArg_ParseTuple(given, "nnOOO", &n, &m, &stack, &steps, &out_from))
        return NULL;
    Held held = {.held = 0};
    Network net;
    const float *values;
    float *out;
    if (n < 1 || n > MOST_LOOKS || m < 0 || m > (1 << 26))
        return refuse(&held, "middles of another size are wanted");
    if ((values = hold_floats(&held, stack, n * m, 0)) == NULL ||
        hold_network(&held, steps, n, &net) < 0 ||
        (out = hold_floats(&held, out_from, m, 1)) == NULL)
        return refuse(&held, NULL);
    Py_BEGIN_ALLOW_THREADS
    float lines[MOST_LOOKS * BLOCK];
    for (Py_ssize_t from = 0; from < m; from += BLOCK) {
        Py_ssize_t some = m - from < BLOCK ? m - from : BLOCK;
        for (Py_ssize_t k = 0; k < n; k++)
            memcpy(lines + k * BLOCK, values + k * m + from, some * sizeof(float));
        find_middle(&net, lines, BLOCK, some);
        memcpy(out + from, lines + n / 2 * BLOCK, some * sizeof(float));
    }
    Py_END_ALLOW_THREADS
    return done(&held);
}

typedef struct {
    Py_ssize_t n, h, w, apart; /* apart: from the values of one look to the next's */
    const float *maps, *values, *ways;
    float sign;
    const Network *net; /* NULL: what is left of each look is wanted */
} Looks;

/* room: `n` + 3 lines. */
static void leave_over(const Looks *l, float *out, float *room)
{
    Py_ssize_t all = l->h * l->w, w = l->w;
    float *lines = room + 3 * w;
    Between b = {(int32_t *)room, room + w, room + 2 * w};
    for (Py_ssize_t y = 0; y < l->h; y++) {
        for (Py_ssize_t k = 0; k < l->n; k++) {
            Py_ssize_t at = k * all + y * w;
            float *to = l->net ? lines + k * w : out + at;
            find_between(l->ways + 2 * at, l->sign, y, l->h, w, 0, b.at, b.x, b.y);
            take_between(l->values + k * l->apart, &b, w,
                         l->maps ? l->maps + at : NULL, to);
        }
        if (l->net) {
            find_middle(l->net, lines, w, w);
            memcpy(out + y * w, lines + l->n / 2 * w, w * sizeof(float));
        }
    }
}

PyObject *left_over(PyObject *self, PyObject *given)
{
    (void)self;
    PyObject *maps, *values, *ways, *steps, *out_from;
    Looks l = {0};
    if (!PyArg_ParseTuple(given, "(nnn)OOOfOO", &l.n, &l.h, &l.w, &maps, &values, &ways,
                          &l.sign, &steps, &out_from))
        return NULL;
    Held held = {.held = 0};
    Network net;
    float *out, *room;
    if (l.n < 1 || l.h < 2 || l.w < 2 || l.n > MOST_LOOKS || l.h > 4096 || l.w > 4096)
        return refuse(&held, "looks of another size are wanted");
    Py_ssize_t all = l.h * l.w;
    l.apart = maps == Py_None ? all : 0;
    if ((maps != Py_None && (l.maps = hold_floats(&held, maps, l.n * all, 0)) == NULL) ||
        (l.values = hold_floats(&held, values, l.apart ? l.n * all : all, 0)) == NULL ||
        (l.ways = hold_floats(&held, ways, 2 * l.n * all, 0)) == NULL ||
        (steps != Py_None && hold_network(&held, steps, l.n, &net) < 0) ||
        (out = hold_floats(&held, out_from, steps == Py_None ? l.n * all : all, 1)) ==
            NULL)
        return refuse(&held, NULL);
    l.net = steps == Py_None ? NULL : &net;
    if ((room = malloc((size_t)((l.n + 3) * l.w) * sizeof(float))) == NULL) {
        let_go(&held);
        return PyErr_NoMemory();
    }
    Py_BEGIN_ALLOW_THREADS
    leave_over(&l, out, room);
    Py_END_ALLOW_THREADS
    free(room);
    return done(&held);
}

PyObject *shifted_ways(PyObject *self, PyObject *given)
{
    (void)self;
    PyObject *values_from, *ways_from, *out_from;
    Py_ssize_t n, h, w;
    float sign;
    if (!PyArg_ParseTuple(given, "(nnn)OOfO", &n, &h, &w, &values_from, &ways_from, &sign,
                          &out_from))
        return NULL;
    Held held = {.held = 0};
    const float *values, *ways;
    float *out, *room;
    if (n < 0 || h < 2 || w < 2 || n > 4096 || h > 4096 || w > 4096)
        return refuse(&held, "ways of another size are wanted");
    Py_ssize_t all = 2 * h * w;
    if ((values = hold_floats(&held, values_from, n * all, 0)) == NULL ||
        (ways = hold_floats(&held, ways_from, n * all, 0)) == NULL ||
        (out = hold_floats(&held, out_from, n * all, 1)) == NULL)
        return refuse(&held, NULL);
    if ((room = malloc(3 * (size_t)w * sizeof(float))) == NULL) {
        let_go(&held);
        return PyErr_NoMemory();
    }
    Py_BEGIN_ALLOW_THREADS
    Between b = {(int32_t *)room, room + w, room + 2 * w};
    for (Py_ssize_t k = 0; k < n; k++)
        for (Py_ssize_t y = 0; y < h; y++) {
            Py_ssize_t at = k * all + 2 * y * w;
            find_between(ways + at, sign, y, h, w, 0, b.at, b.x, b.y);
            take_both(values + k * all, &b, w, out + at);
        }
    Py_END_ALLOW_THREADS
    free(room);
    return done(&held);
}

/* ------------------------------------------------------------------ a pair of looks */

typedef struct {
    Py_ssize_t h, w;
    const float *old, *new_one;       /* levels */
    const float *old_back, *new_back; /* ways back, right and down in turns */
    float most, noise, off;           /* squares: of a move; of noise; of px */
    float *moves, *left, *trust;      /* moves: to the right, then down */
} Pair;

CLONES static void move_line(const float *restrict one, const float *restrict two,
                             Py_ssize_t w, float *restrict right, float *restrict down,
                             float *restrict half)
{
    for (Py_ssize_t c = 0; c < w; c++) {
        right[c] = one[2 * c] - two[2 * c];
        down[c] = one[2 * c + 1] - two[2 * c + 1];
        half[2 * c] = 0.5f * right[c];
        half[2 * c + 1] = 0.5f * down[c];
    }
}

CLONES static void leave_line(const float *restrict later, const float *restrict earlier,
                              const float *restrict right, const float *restrict down,
                              float most, Py_ssize_t w, float *restrict left)
{
    for (Py_ssize_t c = 0; c < w; c++) {
        float far = right[c] * right[c] + down[c] * down[c];
        left[c] = (later[c] - earlier[c]) + (far >= most ? NAN : 0.0f);
    }
}

/* above and below are NULL at the border, where no slope is. */
CLONES static void trust_line(const float *restrict here, const float *restrict above,
                              const float *restrict below, float noise, float off,
                              Py_ssize_t w, float *restrict trust)
{
    for (Py_ssize_t c = 0; c < w; c++) {
        float down = above && below ? (below[c] - above[c]) * 0.5f : 0.0f;
        trust[c] = down * down;
    }
    for (Py_ssize_t c = 1; c < w - 1; c++) {
        float across = (here[c + 1] - here[c - 1]) * 0.5f;
        trust[c] += across * across;
    }
    for (Py_ssize_t c = 0; c < w; c++) {
        float sure = noise / (trust[c] * off + noise);
        trust[c] = sure > 0.0f ? sure : 0.0f; /* nothing where it is not known */
    }
}

/* room: a map, and six lines. */
static void lay_both(const Pair *p, float *room)
{
    Py_ssize_t all = p->h * p->w, w = p->w;
    float *later = room, *earlier = room + all, *half = earlier + w, *line = half + 2 * w;
    Between b = {(int32_t *)line, line + w, line + 2 * w};
    for (Py_ssize_t y = 0; y < p->h; y++) {
        Py_ssize_t at = y * w;
        float *right = p->moves + at, *down = right + all;
        move_line(p->old_back + 2 * at, p->new_back + 2 * at, w, right, down, half);
        find_between(half, -1.0f, y, p->h, w, 1, b.at, b.x, b.y);
        take_between(p->new_one, &b, w, NULL, later + at);
        find_between(half, 1.0f, y, p->h, w, 1, b.at, b.x, b.y);
        take_between(p->old, &b, w, NULL, earlier);
        leave_line(later + at, earlier, right, down, p->most, w, p->left + at);
    }
    for (Py_ssize_t y = 0; y < p->h; y++) {
        const float *here = later + y * w;
        trust_line(here, y ? here - w : NULL, y + 1 < p->h ? here + w : NULL, p->noise,
                   p->off, w, p->trust + y * w);
    }
}

PyObject *laid_pair(PyObject *self, PyObject *given)
{
    (void)self;
    PyObject *old, *new_one, *backs[2], *moves, *left, *trust;
    Pair p;
    if (!PyArg_ParseTuple(given, "(nn)OOOOfffOOO", &p.h, &p.w, &old, &new_one, &backs[0],
                          &backs[1], &p.most, &p.noise, &p.off, &moves, &left, &trust))
        return NULL;
    Held held = {.held = 0};
    if (p.h < 2 || p.w < 2 || p.h > 4096 || p.w > 4096)
        return refuse(&held, "looks of another size are wanted");
    Py_ssize_t all = p.h * p.w;
    if ((p.old = hold_floats(&held, old, all, 0)) == NULL ||
        (p.new_one = hold_floats(&held, new_one, all, 0)) == NULL ||
        (p.old_back = hold_floats(&held, backs[0], 2 * all, 0)) == NULL ||
        (p.new_back = hold_floats(&held, backs[1], 2 * all, 0)) == NULL ||
        (p.moves = hold_floats(&held, moves, 2 * all, 1)) == NULL ||
        (p.left = hold_floats(&held, left, all, 1)) == NULL ||
        (p.trust = hold_floats(&held, trust, all, 1)) == NULL)
        return refuse(&held, NULL);
    float *room = malloc((size_t)(all + 6 * p.w) * sizeof(float));
    if (room == NULL) {
        let_go(&held);
        return PyErr_NoMemory();
    }
    Py_BEGIN_ALLOW_THREADS
    lay_both(&p, room);
    Py_END_ALLOW_THREADS
    free(room);
    return done(&held);
}
