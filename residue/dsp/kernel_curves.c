/* Functions value by value: what numpy does in many passes over memory is one pass here, in the same operations. */
#include "kernel.h"

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
    double c[SINE_TERMS];
    for (int n = 0; n < SINE_TERMS; n++)
        c[n] = coefficients[n];
    for (Py_ssize_t n = 0; n < count; n++)
        y[n] = sine_of(phase[n], c);
    Py_END_ALLOW_THREADS
    return done(&buffers);
}

/* partials(phase, weights, y, coefficients, partials, count): the sum of the sines of 1, 2, … times the phase, each with
 * its weight. */
WIDE static PyObject *partials_of(PyObject *module, PyObject *args)
{
    PyObject *phase_array, *weights_array, *y_array, *coefficients_array;
    Py_ssize_t partials, count;
    Buffers buffers = {.held = 0};
    const uint64_t *phase;
    const double *weights, *coefficients;
    double *y;
    (void)module;

    if (!PyArg_ParseTuple(args, "OOOOnn", &phase_array, &weights_array, &y_array, &coefficients_array, &partials,
                          &count))
        return NULL;
    if (!(phase = READ(phase_array, count)) || !(weights = READ(weights_array, partials)) ||
        !(y = WRITE(y_array, count)) || !(coefficients = READ(coefficients_array, SINE_TERMS)))
        return refused(&buffers);
    if (partials < 1) {
        PyErr_SetString(PyExc_ValueError, "a tone has at least one partial");
        return refused(&buffers);
    }
    Py_BEGIN_ALLOW_THREADS
    double c[SINE_TERMS];
    for (int n = 0; n < SINE_TERMS; n++)
        c[n] = coefficients[n];
    for (Py_ssize_t first = 0; first < count; first += CHUNK) {
        const Py_ssize_t now = count - first < CHUNK ? count - first : CHUNK;
        uint64_t turned[CHUNK];
        for (Py_ssize_t n = 0; n < now; n++) {
            turned[n] = phase[first + n];
            y[first + n] = sine_of((int64_t)turned[n], c) * weights[0];
        }
        for (Py_ssize_t partial = 1; partial < partials; partial++)
            for (Py_ssize_t n = 0; n < now; n++) {
                turned[n] += phase[first + n];
                y[first + n] += sine_of((int64_t)turned[n], c) * weights[partial];
            }
    }
    Py_END_ALLOW_THREADS
    return done(&buffers);
}

/* turn(hertz, y, phase, per_hz, count): phase.Phasor where the frequency moves. */
static PyObject *turn(PyObject *module, PyObject *args)
{
    PyObject *hertz_array, *y_array, *phase_array;
    Py_ssize_t count;
    double per_hz;
    Buffers buffers = {.held = 0};
    const double *hertz;
    uint64_t *y, *phase;
    (void)module;

    if (!PyArg_ParseTuple(args, "OOOdn", &hertz_array, &y_array, &phase_array, &per_hz, &count))
        return NULL;
    if (!(hertz = READ(hertz_array, count)) || !(y = WRITE(y_array, count)) || !(phase = WRITE(phase_array, 1)))
        return refused(&buffers);
    Py_BEGIN_ALLOW_THREADS
    uint64_t at = *phase;
    for (Py_ssize_t n = 0; n < count; n++) {
        y[n] = at;
        at += (uint64_t)(hertz[n] * per_hz);
    }
    *phase = at;
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
    {"partials", partials_of, METH_VARARGS, "A sum of sines."},
    {"turn", turn, METH_VARARGS, "The phase of a moving frequency."},
    {"exp2", exp2_of, METH_VARARGS, "2 to the power of each value."},
    {"saturate", saturate, METH_VARARGS, "A fraction near tanh."},
    {"lines", lines, METH_VARARGS, "Straight lines between knots."},
    {NULL, NULL, 0, NULL},
};
