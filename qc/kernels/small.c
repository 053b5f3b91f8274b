/* Smaller pictures of a plane: means and sums over areas. */
#include "planes.h"

/* ------------------------------------------------------------------ whole pixels */

/* Sums of lines, four at a time so that the sums are fetched less often, and of two
 * pixels beside each other, as one number of twice the bits, while that halves what one
 * small pixel has (TWOS). 256 codes of 8 bits fit 16, those of 16 bits 32. */
#define MEANS(NAME, CODE, SUM, TWO, TWOS)                                              \
    static inline void add_lines_##NAME(const Plane *p, Py_ssize_t y, Py_ssize_t lines, \
                                        SUM *sums)                                     \
    {                                                                                  \
        Py_ssize_t n = p->width;                                                       \
        for (; lines >= 4; y += 4, lines -= 4) {                                       \
            const CODE *a = (const CODE *)line(p, y), *b = (const CODE *)line(p, y + 1); \
            const CODE *c = (const CODE *)line(p, y + 2);                              \
            const CODE *d = (const CODE *)line(p, y + 3);                              \
            for (Py_ssize_t x = 0; x < n; x++)                                         \
                sums[x] = (SUM)(sums[x] + ((SUM)a[x] + (SUM)b[x]) +                    \
                                ((SUM)c[x] + (SUM)d[x]));                              \
        }                                                                              \
        for (; lines > 0; y++, lines--) {                                              \
            const CODE *a = (const CODE *)line(p, y);                                  \
            for (Py_ssize_t x = 0; x < n; x++)                                         \
                sums[x] = (SUM)(sums[x] + a[x]);                                       \
        }                                                                              \
    }                                                                                  \
    static inline void add_twos_##NAME(const Plane *p, Py_ssize_t y, Py_ssize_t lines, \
                                       SUM *sums)                                      \
    {                                                                                  \
        Py_ssize_t n = p->width / 2;                                                   \
        for (; lines >= 4; y += 4, lines -= 4) {                                       \
            const TWO *a = (const TWO *)line(p, y), *b = (const TWO *)line(p, y + 1);  \
            const TWO *c = (const TWO *)line(p, y + 2);                                \
            const TWO *d = (const TWO *)line(p, y + 3);                                \
            for (Py_ssize_t x = 0; x < n; x++)                                         \
                sums[x] = (SUM)(sums[x] + BOTH(CODE, SUM, a[x]) + BOTH(CODE, SUM, b[x]) + \
                                BOTH(CODE, SUM, c[x]) + BOTH(CODE, SUM, d[x]));        \
        }                                                                              \
        for (; lines > 0; y++, lines--) {                                              \
            const TWO *a = (const TWO *)line(p, y);                                    \
            for (Py_ssize_t x = 0; x < n; x++)                                         \
                sums[x] = (SUM)(sums[x] + BOTH(CODE, SUM, a[x]));                      \
        }                                                                              \
    }                                                                                  \
    /* Sums stay under 2^24 (the caller sees to it): whole in float. Rounded as        \
     * OpenCV's INTER_AREA does, halves to the even code. */                           \
    CLONES static void mean_line_##NAME(const Plane *p, const Small *small,            \
                                        Py_ssize_t y)                                  \
    {                                                                                  \
        SUM *restrict sums = small->room;                                               \
        SUM *restrict room = sums + p->width;                                          \
        Py_ssize_t n = p->width, across = small->across;                               \
        float share = 1.0f / (float)(small->down * across);                            \
        memset(sums, 0, (size_t)n * sizeof(SUM));                                      \
        if (LOW_FIRST && TWOS && across % 2 == 0) {                                    \
            add_twos_##NAME(p, y, small->down, sums);                                  \
            n /= 2;                                                                    \
            across /= 2;                                                               \
        } else                                                                         \
            add_lines_##NAME(p, y, small->down, sums);                                 \
        for (; across % 2 == 0; across /= 2) {                                         \
            n /= 2;                                                                    \
            for (Py_ssize_t x = 0; x < n; x++)                                         \
                room[x] = (SUM)(sums[2 * x] + sums[2 * x + 1]);                        \
            SUM *full = room;                                                          \
            room = sums;                                                               \
            sums = full;                                                               \
        }                                                                              \
        CODE *restrict out = (CODE *)(small->data + y / small->down * small->stride);  \
        if (across == 1) {                                                             \
            for (Py_ssize_t x = 0; x < n; x++)                                         \
                out[x] = (CODE)(int32_t)rintf((float)(int32_t)sums[x] * share);        \
            return;                                                                    \
        }                                                                              \
        for (Py_ssize_t x = 0; x < small->width; x++, sums += across) {                \
            uint32_t sum = 0;                                                          \
            for (Py_ssize_t i = 0; i < across; i++)                                    \
                sum += sums[i];                                                        \
            out[x] = (CODE)rintf((float)sum * share);                                  \
        }                                                                              \
    }
#define BOTH(CODE, SUM, two) ((SUM)((SUM)(CODE)(two) + ((two) >> (8 * sizeof(CODE)))))
MEANS(8, uint8_t, uint16_t, Two, 1)
MEANS(16, uint16_t, uint32_t, WideTwo, 1)
/* 64 codes of 10 bits fit 16 bits too: added as they are, twice as many at once. */
MEANS(10, uint16_t, uint16_t, WideTwo, 0)
#define MOST_NARROW 64

#define LINES_OF(NAME, SUM)                                                            \
    CLONES static void lines_of_##NAME(const Plane *p, Py_ssize_t y, Py_ssize_t lines, \
                                       SUM *sums)                                      \
    {                                                                                  \
        add_lines_##NAME(p, y, lines, sums);                                           \
    }
LINES_OF(8, uint16_t)
LINES_OF(16, uint32_t)

/* ------------------------------------------------------------------ parts of pixels */

/* How many n-ths of pixel x lie in tile i of n along a side. */
int64_t covered(Py_ssize_t x, Py_ssize_t side, Py_ssize_t i, Py_ssize_t n)
{
    int64_t from = x * n > i * side ? x * n : i * side;
    int64_t to = (x + 1) * n < (i + 1) * side ? (x + 1) * n : (i + 1) * side;
    return to > from ? to - from : 0;
}

/* Sums over a smaller grid, in (its height x its width)-ths of a pixel: first of lines,
 * where 65535 times 32768 stays under 2^32, then of what each cell has of those.
 * Lines that a cell has wholly are added up before they are weighed; 256 of them. */
#define AREA(NAME, SUM)                                                                \
    CLONES static void weigh_##NAME(const SUM *row, Py_ssize_t n, uint32_t weight,     \
                                    uint32_t *sums)                                    \
    {                                                                                  \
        for (Py_ssize_t x = 0; x < n; x++)                                             \
            sums[x] += weight * row[x];                                                \
    }
AREA(8, uint8_t)
AREA(16, uint16_t)
AREA(32, uint32_t)

static void weigh_line(const Plane *p, Py_ssize_t y, int64_t weight, uint32_t *sums)
{
    if (p->wide)
        weigh_16((const uint16_t *)line(p, y), p->width, (uint32_t)weight, sums);
    else
        weigh_8((const uint8_t *)line(p, y), p->width, (uint32_t)weight, sums);
}

/* room: a line of sums, then one of 32 bits more. */
static void area_line(const Plane *p, Py_ssize_t rows, Py_ssize_t i, uint32_t *room)
{
    Py_ssize_t h = p->height, n = p->width;
    Py_ssize_t first = i * h / rows, last = ((i + 1) * h - 1) / rows;
    uint32_t *sums = room;
    void *full = room + n;
    memset(sums, 0, (size_t)n * sizeof(uint32_t));
    if (covered(first, h, i, rows) < rows) {
        weigh_line(p, first, covered(first, h, i, rows), sums);
        first++;
    }
    if (first <= last && covered(last, h, i, rows) < rows) {
        weigh_line(p, last, covered(last, h, i, rows), sums);
        last--;
    }
    while (first <= last) {
        Py_ssize_t lines = last - first < 256 ? last - first + 1 : 256;
        memset(full, 0, (size_t)n * sizeof(uint32_t));
        if (p->wide) {
            lines_of_16(p, first, lines, full);
            weigh_32(full, n, (uint32_t)rows, sums);
        } else {
            lines_of_8(p, first, lines, full);
            weigh_16(full, n, (uint32_t)rows, sums);
        }
        first += lines;
    }
}

void find_places(Py_ssize_t n, Py_ssize_t columns, int32_t *places)
{
    for (Py_ssize_t j = 0; j < columns; j++, places += 4) {
        Py_ssize_t first = j * n / columns, last = ((j + 1) * n - 1) / columns;
        places[0] = (int32_t)first;
        places[1] = (int32_t)last;
        places[2] = (int32_t)covered(first, n, j, columns);
        places[3] = last > first ? (int32_t)covered(last, n, j, columns) : 0;
    }
}

static void across_area(const uint32_t *sums, Py_ssize_t n, const int32_t *places,
                        int64_t *out)
{
    for (Py_ssize_t j = 0; j < n; j++, places += 4) {
        int64_t sum = 0;
        for (int32_t x = places[0] + 1; x < places[1]; x++)
            sum += sums[x];
        out[j] = sum * n + (int64_t)places[2] * sums[places[0]] +
                 (int64_t)places[3] * sums[places[1]];
    }
}

#define AREA_ROOM(p, columns) ((size_t)(4 * (columns) + 2 * (p)->width) * sizeof(int32_t))

/* room: four numbers a cell across, and two lines of sums. */
void read_area(const Plane *p, Py_ssize_t rows, Py_ssize_t columns, int64_t *out,
               int32_t *room)
{
    uint32_t *sums = (uint32_t *)room + 4 * columns;
    find_places(p->width, columns, room);
    for (Py_ssize_t i = 0; i < rows; i++) {
        area_line(p, rows, i, sums);
        across_area(sums, columns, room, out + i * columns);
    }
}

/* Means rounded, halves to the even code: the quotient of so small whole numbers is
 * exact where it is a half. */
static void share_line(const Plane *p, const Small *small, Py_ssize_t i)
{
    Py_ssize_t columns = small->width;
    uint32_t *sums = (uint32_t *)small->room + 4 * columns;
    int64_t *cells = small->cells;
    double size = (double)p->height * (double)p->width;
    char *out = small->data + i * small->stride;
    area_line(p, small->height, i, sums);
    across_area(sums, columns, small->room, cells);
    for (Py_ssize_t x = 0; x < columns; x++) {
        double mean = rint((double)cells[x] / size);
        if (p->wide)
            ((uint16_t *)out)[x] = (uint16_t)mean;
        else
            ((uint8_t *)out)[x] = (uint8_t)mean;
    }
}

/* Called line by line; works when the lines of one small line have come. */
void add_to_small(const Plane *p, Small *small, Py_ssize_t y)
{
    Py_ssize_t i = small->next;
    if ((y + 1) * small->height < (i + 1) * p->height)
        return;
    small->next++;
    if (!small->down)
        share_line(p, small, i);
    else if (small->narrow && small->down * small->across <= MOST_NARROW)
        mean_line_10(p, small, i * small->down);
    else if (p->wide)
        mean_line_16(p, small, i * small->down);
    else
        mean_line_8(p, small, i * small->down);
}

/* ------------------------------------------------------------------ Python's side */

static int room_for(const Plane *p, Small *small)
{
    Py_ssize_t h = small->height, w = small->width;
    int whole = p->height % h == 0 && p->width % w == 0 &&
                p->height / h * (p->width / w) <= 256;
    small->next = 0;
    small->narrow = 0;
    small->cells = NULL;
    if (whole) {
        small->down = p->height / h;
        small->across = p->width / w;
        small->room = malloc(2 * (size_t)p->width * sizeof(uint32_t));
        return small->room != NULL;
    }
    small->down = small->across = 0;
    small->room = malloc(AREA_ROOM(p, w));
    small->cells = malloc((size_t)w * sizeof(int64_t));
    if (small->room != NULL && small->cells != NULL) {
        find_places(p->width, w, small->room);
        return 1;
    }
    no_small(small);
    return 0;
}

void no_small(Small *small)
{
    free(small->room);
    free(small->cells);
    small->room = small->cells = NULL;
}

int small_of(PyObject *from, Py_buffer *view, const Plane *p, Small *small)
{
    if (PyObject_GetBuffer(from, view,
                           PyBUF_C_CONTIGUOUS | PyBUF_WRITABLE | PyBUF_FORMAT) < 0)
        return -1;
    int fits = view->ndim == 2 && is_format(view, p->wide ? "H" : "B");
    fits = fits && view->shape[0] > 0 && view->shape[1] > 0 &&
           view->shape[0] <= p->height && view->shape[1] <= p->width &&
           p->height <= 32768 && p->width <= 32768;
    if (fits) {
        small->data = view->buf;
        small->height = view->shape[0];
        small->width = view->shape[1];
        small->stride = view->shape[1] * view->itemsize;
        if (room_for(p, small))
            return 0;
        PyErr_NoMemory();
    } else
        PyErr_SetString(PyExc_ValueError, "a small picture must fit its plane");
    PyBuffer_Release(view);
    return -1;
}

PyObject *area_mean(PyObject *self, PyObject *given)
{
    (void)self;
    PyObject *plane_from, *small_from;
    if (!PyArg_ParseTuple(given, "OO", &plane_from, &small_from))
        return NULL;
    Py_buffer plane_view, small_view;
    Plane plane;
    Small small = {0};
    if (plane_of(plane_from, &plane_view, &plane) < 0)
        return NULL;
    if (small_of(small_from, &small_view, &plane, &small) < 0) {
        PyBuffer_Release(&plane_view);
        return NULL;
    }
    Py_BEGIN_ALLOW_THREADS
    for (Py_ssize_t y = 0; y < plane.height; y++)
        add_to_small(&plane, &small, y);
    Py_END_ALLOW_THREADS
    no_small(&small);
    PyBuffer_Release(&small_view);
    PyBuffer_Release(&plane_view);
    Py_RETURN_NONE;
}

PyObject *area_sums(PyObject *self, PyObject *given)
{
    (void)self;
    PyObject *plane_from, *out_from;
    Py_ssize_t rows, columns;
    if (!PyArg_ParseTuple(given, "OnnO", &plane_from, &rows, &columns, &out_from))
        return NULL;
    Held held = {.held = 0};
    Plane p;
    if (hold_plane(&held, plane_from, &p) < 0)
        return refuse(&held, NULL);
    if (rows < 1 || columns < 1 || rows > p.height || columns > p.width ||
        p.height > 32768 || p.width > 32768)
        return refuse(&held, "a grid must be smaller than its plane");
    int64_t *out = hold_numbers(&held, out_from, rows * columns);
    if (out == NULL)
        return refuse(&held, NULL);
    int32_t *room = malloc(AREA_ROOM(&p, columns));
    if (room == NULL) {
        let_go(&held);
        return PyErr_NoMemory();
    }
    Py_BEGIN_ALLOW_THREADS
    read_area(&p, rows, columns, out, room);
    Py_END_ALLOW_THREADS
    free(room);
    return done(&held);
}

/* Codes as shares of a range, in float32, one operation after another. */
#define SCALE(NAME, CODE)                                                              \
    CLONES static void NAME(const CODE *codes, Py_ssize_t n, float zero, float factor, \
                            float *out)                                                \
    {                                                                                  \
        for (Py_ssize_t x = 0; x < n; x++)                                             \
            out[x] = ((float)(int32_t)codes[x] - zero) * factor;                       \
    }
SCALE(scale_8, uint8_t)
SCALE(scale_16, uint16_t)

PyObject *scaled_codes(PyObject *self, PyObject *given)
{
    (void)self;
    PyObject *plane_from, *out_from;
    float zero, factor;
    if (!PyArg_ParseTuple(given, "OffO", &plane_from, &zero, &factor, &out_from))
        return NULL;
    Held held = {.held = 0};
    Plane p;
    if (hold_plane(&held, plane_from, &p) < 0)
        return refuse(&held, NULL);
    float *out = hold_floats(&held, out_from, p.height * p.width, 1);
    if (out == NULL)
        return refuse(&held, NULL);
    for (Py_ssize_t y = 0; y < p.height; y++, out += p.width)
        if (p.wide)
            scale_16((const uint16_t *)line(&p, y), p.width, zero, factor, out);
        else
            scale_8((const uint8_t *)line(&p, y), p.width, zero, factor, out);
    return done(&held);
}
