/* Weights by which a picture is told between its pixels.
 *
 * Counted in float64, one operation after another as written: see light.c.
 */
#include "planes.h"
#include "exact.h"

/* Weights of the pixels at -1, 0, 1, 2 for a place between them, 0 to 1; by the inverse
 * of what pixels so far apart have in common. */
static void tap_weights(double at, double sigma, const double *inverse,
                        double out[4])
{
    double like[4];
    for (int k = 0; k < 4; k++) {
        double off = (k - 1 - at) / sigma;
        like[k] = exp(-0.25 * (off * off));
    }
    for (int i = 0; i < 4; i++) {
        const double *by = inverse + 4 * i;
        out[i] = ((by[0] * like[0] + by[1] * like[1]) + by[2] * like[2]) +
                 by[3] * like[3];
    }
    double whole = ((out[0] + out[1]) + out[2]) + out[3];
    for (int i = 0; i < 4; i++)
        out[i] = out[i] / whole;
}

PyObject *between(PyObject *self, PyObject *given)
{
    (void)self;
    PyObject *from;
    double at, sigma, out[4];
    if (!PyArg_ParseTuple(given, "ddO", &at, &sigma, &from))
        return NULL;
    Held held = {.held = 0};
    const double *inverse = hold_doubles(&held, from, 16, 0);
    if (inverse == NULL)
        return refuse(&held, NULL);
    tap_weights(at, sigma, inverse, out);
    let_go(&held);
    return Py_BuildValue("dddd", out[0], out[1], out[2], out[3]);
}
