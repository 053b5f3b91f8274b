/* What moves the whole picture: a vote of its patches. */
#include "planes.h"

/* ------------------------------------------------------------------ common motion */

#if defined(__GNUC__) && !defined(__clang__)
#define AS_WRITTEN __attribute__((optimize("fp-contract=off")))
#else
#define AS_WRITTEN
#endif

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

PyObject *common_motion(PyObject *self, PyObject *given)
{
    (void)self;
    PyObject *from[8];
    double scales[2], lean[4];
    Py_ssize_t n;
    if (!PyArg_ParseTuple(given, "nOOOOOOO(dd)(dddd)", &n, &from[0], &from[1], &from[2],
                          &from[3], &from[4], &from[5], &from[6], &scales[0], &scales[1],
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
    stray(in[0], in[3], n, theta, off);
    for (int i = 0; i < 2 && scales[i] > 0; i++) {
        revote(in[1], in[2], in[4], in[5], n, scales[i], lean, off, theta);
        stray(in[0], in[3], n, theta, off);
    }
    return done(&held);
}
