/* Fine detail made smaller by averaging over areas, number for number as OpenCV does it:
 * in single precision, along each line first, each product rounded by itself and added
 * in order. Sums stay in registers here, which takes a third of the time.
 */
#include "planes.h"
#include "exact.h"

/* What of a side lies in one cell: whole places, and parts of one before and behind. */
typedef struct {
    Py_ssize_t first, count;
    float before, whole, after; /* `before` and `after` are 0 where there is none */
} Cell;

static void find_cells(Py_ssize_t side, Py_ssize_t count, Cell *cells)
{
    double scale = 1.0 / ((double)count / (double)side);
    for (Py_ssize_t i = 0; i < count; i++) {
        double from = (double)i * scale, to = from + scale;
        double width = scale < (double)side - from ? scale : (double)side - from;
        Py_ssize_t one = (Py_ssize_t)ceil(from), two = (Py_ssize_t)floor(to);
        two = two < side - 1 ? two : side - 1;
        one = one < two ? one : two;
        Cell *c = cells + i;
        *c = (Cell){one, two - one, 0.0f, (float)(1.0 / width), 0.0f};
        if ((double)one - from > 1e-3)
            c->before = (float)(((double)one - from) / width);
        if (to - (double)two > 1e-3) {
            double rest = to - (double)two < 1.0 ? to - (double)two : 1.0;
            c->after = (float)((rest < width ? rest : width) / width);
        }
    }
}

static void along(const float *row, const Cell *cells, Py_ssize_t count, float *out)
{
    for (Py_ssize_t i = 0; i < count; i++) {
        const Cell *c = cells + i;
        const float *at = row + c->first;
        float sum = c->before != 0.0f ? at[-1] * c->before : 0.0f, whole = c->whole;
        for (Py_ssize_t x = 0; x < c->count; x++)
            sum += at[x] * whole;
        if (c->after != 0.0f)
            sum += at[c->count] * c->after;
        out[i] = sum;
    }
}

CLONES static void add_row(float *restrict sum, const float *restrict row, float share,
                           Py_ssize_t n)
{
    for (Py_ssize_t x = 0; x < n; x++)
        sum[x] += row[x] * share;
}

/* What a line changes by from each pixel to the second behind it, so many times. */
#define LINE(NAME, CODE, TOP)                                                          \
    CLONES static void NAME(const CODE *restrict row, Py_ssize_t n, float times,       \
                            float *restrict out)                                       \
    {                                                                                  \
        for (Py_ssize_t x = 0; x < n; x++) {                                           \
            float step = fabsf((float)row[x + 2] - (float)row[x]) * times;             \
            out[x] = step < TOP ? step : TOP;                                          \
        }                                                                              \
    }
LINE(line_8, uint8_t, 255.0f)
LINE(line_16, uint16_t, 65535.0f)

/* across, down: cells; room: a line, and two of cells. */
static void shrink(const Plane *p, float times, Py_ssize_t rows, Py_ssize_t columns,
                   Cell *across, Cell *down, float *room, void *out)
{
    Py_ssize_t known = -1, width = p->width - 2;
    float *own = room + width, *sum = own + columns;
    find_cells(width, columns, across);
    find_cells(p->height, rows, down);
    for (Py_ssize_t i = 0; i < rows; i++) {
        const Cell *c = down + i;
        Py_ssize_t first = c->first - (c->before != 0.0f);
        Py_ssize_t last = c->first + c->count + (c->after != 0.0f);
        memset(sum, 0, (size_t)columns * sizeof(float));
        for (Py_ssize_t y = first; y < last; y++) {
            if (y != known) {
                if (p->wide)
                    line_16((const uint16_t *)line(p, y), width, times, room);
                else
                    line_8((const uint8_t *)line(p, y), width, times, room);
                along(room, across, columns, own);
                known = y;
            }
            add_row(sum, own,
                    y < c->first              ? c->before
                    : y < c->first + c->count ? c->whole
                                              : c->after,
                    columns);
        }
        for (Py_ssize_t x = 0; x < columns; x++)
            if (p->wide)
                ((uint16_t *)out)[i * columns + x] = (uint16_t)lrintf(sum[x]);
            else
                ((uint8_t *)out)[i * columns + x] = (uint8_t)lrintf(sum[x]);
    }
}

PyObject *shrunk_steps(PyObject *self, PyObject *given)
{
    (void)self;
    PyObject *plane, *out_from;
    Py_ssize_t rows, columns;
    int times;
    Plane p;
    if (!PyArg_ParseTuple(given, "OinnO", &plane, &times, &rows, &columns, &out_from))
        return NULL;
    Held held = {.held = 0};
    if (hold_plane(&held, plane, &p) < 0)
        return refuse(&held, NULL);
    if (rows < 1 || columns < 1 || rows > p.height || columns > p.width - 2 ||
        times < 1 || times > 1024)
        return refuse(&held, "an area does not get larger");
    void *out = hold_items(&held, out_from, rows * columns, p.wide ? "H" : "B", 1);
    if (out == NULL)
        return refuse(&held, NULL);
    float *room = malloc((size_t)(p.width + 2 * columns) * sizeof(float));
    Cell *cells = malloc((size_t)(rows + columns) * sizeof(Cell));
    if (room != NULL && cells != NULL) {
        Py_BEGIN_ALLOW_THREADS
        shrink(&p, (float)times, rows, columns, cells, cells + columns, room, out);
        Py_END_ALLOW_THREADS
    }
    int failed = room == NULL || cells == NULL;
    free(room);
    free(cells);
    if (!failed)
        return done(&held);
    let_go(&held);
    return PyErr_NoMemory();
}
