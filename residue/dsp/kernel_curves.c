/* Functions value by value: what numpy does in many passes over memory is one pass here, in the same operations. */
#include "kernel.h"

#define CHUNK 64 /* values that stay near the processor between two steps */
#define SINE_TERMS 8
#define EXP2_TERMS 14

/* sine(phase, y, coefficients, count): exact.sine. */
WIDE static PyObject *sine(PyObject *module, PyObject *args)
{
    PyObject *phase_array, *y_array, *coefficients_array;
    Py_ssize_t count;
    Buffers buffers = {.held = 0};
    const int64_t *phase;
    const double *coefficients;
    double *y;
    (void)module;

    if (!PyArg_ParseTuple(args, "OOOn", &phase_array, &y_array, &coefficients_array, &count))
        return NULL;
    if (!(phase = READ(phase_array, count)) || !(y = WRITE(y_array, count)) ||
        !(coefficients = READ(coefficients_array, SINE_TERMS)))
        return refused(&buffers);
    Py_BEGIN_ALLOW_THREADS
    double c[SINE_TERMS], folded[CHUNK];
    for (int n = 0; n < SINE_TERMS; n++)
        c[n] = coefficients[n];
    for (Py_ssize_t first = 0; first < count; first += CHUNK) {
        const Py_ssize_t now = count - first < CHUNK ? count - first : CHUNK;
        for (Py_ssize_t n = 0; n < now; n++)
            folded[n] = (double)phase[first + n] * 0x1p-62; /* quarter turns */
        for (Py_ssize_t n = 0; n < now; n++) {
            const double quarter = folded[n], below = -2.0 - quarter, above = 2.0 - quarter;
            const double raised = quarter > below ? quarter : below, bent = raised < above ? raised : above;
            const double square = bent * bent;
            double total = square * c[SINE_TERMS - 1] + c[SINE_TERMS - 2];
            for (int m = SINE_TERMS - 3; m >= 0; m--)
                total = total * square + c[m];
            y[first + n] = bent * total;
        }
    }
    Py_END_ALLOW_THREADS
    return done(&buffers);
}

/* exp2(x, y, coefficients, count): exact.exp2. */
WIDE static PyObject *exp2_of(PyObject *module, PyObject *args)
{
    PyObject *x_array, *y_array, *coefficients_array;
    Py_ssize_t count;
    Buffers buffers = {.held = 0};
    const double *x, *coefficients;
    double *y;
    (void)module;

    if (!PyArg_ParseTuple(args, "OOOn", &x_array, &y_array, &coefficients_array, &count))
        return NULL;
    if (!(x = READ(x_array, count)) || !(y = WRITE(y_array, count)) ||
        !(coefficients = READ(coefficients_array, EXP2_TERMS)))
        return refused(&buffers);
    Py_BEGIN_ALLOW_THREADS
    double c[EXP2_TERMS];
    for (int n = 0; n < EXP2_TERMS; n++)
        c[n] = coefficients[n];
    for (Py_ssize_t n = 0; n < count; n++) {
        const double raised = x[n] >= -1000.0 ? x[n] : -1000.0, bounded = raised > 1000.0 ? 1000.0 : raised;
        const double half = bounded + 0.5;
        int32_t whole = (int32_t)half;
        whole -= (double)whole > half; /* the floor */
        const double rest = bounded - (double)whole;
        double total = rest * c[EXP2_TERMS - 1] + c[EXP2_TERMS - 2];
        for (int m = EXP2_TERMS - 3; m >= 0; m--)
            total = total * rest + c[m];
        union {
            uint64_t bits;
            double value;
        } scale = {(uint64_t)(whole + 1023) << 52};
        y[n] = x[n] == x[n] ? total * scale.value : x[n];
    }
    Py_END_ALLOW_THREADS
    return done(&buffers);
}

/* saturate(x, y, reaches, count): shaping.saturate. */
WIDE static PyObject *saturate(PyObject *module, PyObject *args)
{
    PyObject *x_array, *y_array;
    Py_ssize_t count;
    double reaches;
    Buffers buffers = {.held = 0};
    const double *x;
    double *y;
    (void)module;

    if (!PyArg_ParseTuple(args, "OOdn", &x_array, &y_array, &reaches, &count))
        return NULL;
    if (!(x = READ(x_array, count)) || !(y = WRITE(y_array, count)))
        return refused(&buffers);
    Py_BEGIN_ALLOW_THREADS
    for (Py_ssize_t n = 0; n < count; n++) {
        const double raised = x[n] < -reaches ? -reaches : x[n], bounded = raised > reaches ? reaches : raised;
        const double square = bounded * bounded;
        const double above = ((square + 378.0) * square + 17325.0) * square + 135135.0;
        const double below = ((28.0 * square + 3150.0) * square + 62370.0) * square + 135135.0;
        const double value = bounded * above / below, least = value < -1.0 ? -1.0 : value;
        y[n] = least > 1.0 ? 1.0 : least;
    }
    Py_END_ALLOW_THREADS
    return done(&buffers);
}

/* lines(knots, shares, y, all, per_knot, lead, count): straight lines from knot to knot, `per_knot` values each; y
 * begins with value `lead`. */
WIDE static PyObject *lines(PyObject *module, PyObject *args)
{
    PyObject *knots_array, *shares_array, *y_array;
    Py_ssize_t all, per_knot, lead, count;
    Buffers buffers = {.held = 0};
    const double *knots, *shares;
    double *y;
    (void)module;

    if (!PyArg_ParseTuple(args, "OOOnnnn", &knots_array, &shares_array, &y_array, &all, &per_knot, &lead, &count))
        return NULL;
    if (!(knots = READ(knots_array, all)) || !(shares = READ(shares_array, per_knot)) ||
        !(y = WRITE(y_array, count)))
        return refused(&buffers);
    if (per_knot < 1 || lead < 0 || lead + count > (all - 1) * per_knot) {
        PyErr_SetString(PyExc_ValueError, "there are too few knots");
        return refused(&buffers);
    }
    Py_BEGIN_ALLOW_THREADS
    for (Py_ssize_t made = 0; made < count;) {
        const Py_ssize_t knot = (lead + made) / per_knot, at = (lead + made) % per_knot;
        const Py_ssize_t now = per_knot - at < count - made ? per_knot - at : count - made;
        const double from = knots[knot], way = knots[knot + 1] - from;
        for (Py_ssize_t n = 0; n < now; n++)
            y[made + n] = from + way * shares[at + n];
        made += now;
    }
    Py_END_ALLOW_THREADS
    return done(&buffers);
}

PyMethodDef curves[] = {
    {"sine", sine, METH_VARARGS, "The sine of integer phases."},
    {"exp2", exp2_of, METH_VARARGS, "2 to the power of each value."},
    {"saturate", saturate, METH_VARARGS, "A fraction near tanh."},
    {"lines", lines, METH_VARARGS, "Straight lines between knots."},
    {NULL, NULL, 0, NULL},
};
