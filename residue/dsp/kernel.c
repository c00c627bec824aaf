/* The two inner loops of signal processing that numpy has no exact operation for: second-order sections, and polyphase
 * filters. Compiled without contraction (no fused multiply-add), each sum is made in one fixed order, so the bits are
 * those of scipy.signal.sosfilt and scipy.signal.upfirdn on every processor. See residue/dsp/kernel.py.
 */
#define PY_SSIZE_T_CLEAN
#define Py_LIMITED_API 0x030B0000
#include <Python.h>

#define MOST_BUFFERS 3
#define MOST_AT_ONCE 4 /* sections: beyond that registers run out */

/* Buffers of float64, with how many values each must hold at least. */
typedef struct {
    Py_buffer views[MOST_BUFFERS];
    int held;
} Buffers;

static void release(Buffers *buffers)
{
    while (buffers->held > 0)
        PyBuffer_Release(&buffers->views[--buffers->held]);
}

static double *take(Buffers *buffers, PyObject *array, Py_ssize_t values, int writable)
{
    Py_buffer *view = &buffers->views[buffers->held];
    if (PyObject_GetBuffer(array, view, PyBUF_C_CONTIGUOUS | (writable ? PyBUF_WRITABLE : 0)) < 0)
        return NULL;
    buffers->held++;
    if (view->itemsize != (Py_ssize_t)sizeof(double) || view->len < values * (Py_ssize_t)sizeof(double)) {
        PyErr_SetString(PyExc_ValueError, "an array is too short, or not of float64");
        return NULL;
    }
    return view->buf;
}

/* Sections in direct form II transposed, in place. c: b0 b1 b2 1 a1 a2 of each. z: two values of state of each.
 * `sections` is a constant wherever this is called, so that everything stays in registers. */
static inline __attribute__((always_inline)) void cascade(
    const double *restrict c, double *restrict z, double *restrict values, Py_ssize_t frames, const int sections)
{
    double held[2 * MOST_AT_ONCE];
    for (int n = 0; n < 2 * sections; n++)
        held[n] = z[n];
    for (Py_ssize_t frame = 0; frame < frames; frame++) {
        double in = values[frame];
        for (int n = 0; n < sections; n++) {
            const double *k = c + 6 * n;
            const double out = k[0] * in + held[2 * n];
            held[2 * n] = k[1] * in - k[4] * out + held[2 * n + 1];
            held[2 * n + 1] = k[2] * in - k[5] * out;
            in = out;
        }
        values[frame] = in;
    }
    for (int n = 0; n < 2 * sections; n++)
        z[n] = held[n];
}

/* sosfilt(sos, x, state, sections, channels, frames): filters x in place; direct form II transposed. */
static PyObject *sosfilt(PyObject *module, PyObject *args)
{
    PyObject *sos_array, *x_array, *state_array;
    Py_ssize_t sections, channels, frames;
    Buffers buffers = {.held = 0};
    double *sos, *x, *state;
    (void)module;

    if (!PyArg_ParseTuple(args, "OOOnnn", &sos_array, &x_array, &state_array, &sections, &channels, &frames))
        return NULL;
    if (!(sos = take(&buffers, sos_array, 6 * sections, 0)) || !(x = take(&buffers, x_array, channels * frames, 1)) ||
        !(state = take(&buffers, state_array, channels * sections * 2, 1))) {
        release(&buffers);
        return NULL;
    }
    Py_BEGIN_ALLOW_THREADS
    for (Py_ssize_t channel = 0; channel < channels; channel++) {
        double *values = x + channel * frames;
        double *held = state + channel * sections * 2;
        /* Some sections at a time: the processor works on the second while the first is at the next frame. */
        for (Py_ssize_t done = 0; done < sections;) {
            const double *c = sos + 6 * done;
            double *z = held + 2 * done;
            switch (sections - done) {
            case 1: cascade(c, z, values, frames, 1); done += 1; break;
            case 2: cascade(c, z, values, frames, 2); done += 2; break;
            case 3: cascade(c, z, values, frames, 3); done += 3; break;
            default: cascade(c, z, values, frames, MOST_AT_ONCE); done += MOST_AT_ONCE; break;
            }
        }
    }
    Py_END_ALLOW_THREADS
    release(&buffers);
    Py_RETURN_NONE;
}

/* upfirdn(phases, x, y, reach, up, down, first, samples, wanted): y[n] is output first + n of x made `up` times as
 * dense, filtered, and thinned by `down`. phases: (up, reach), the taps of each phase from the last to the first.
 * Samples before and after x are 0. */
static PyObject *upfirdn(PyObject *module, PyObject *args)
{
    PyObject *phases_array, *x_array, *y_array;
    Py_ssize_t reach, up, down, first, samples, wanted;
    Buffers buffers = {.held = 0};
    const double *phases, *x;
    double *y;
    (void)module;

    if (!PyArg_ParseTuple(args, "OOOnnnnnn", &phases_array, &x_array, &y_array, &reach, &up, &down, &first, &samples,
                          &wanted))
        return NULL;
    if (!(phases = take(&buffers, phases_array, up * reach, 0)) || !(x = take(&buffers, x_array, samples, 0)) ||
        !(y = take(&buffers, y_array, wanted, 1))) {
        release(&buffers);
        return NULL;
    }
    Py_BEGIN_ALLOW_THREADS
    for (Py_ssize_t n = 0; n < wanted; n++) {
        const Py_ssize_t moment = (first + n) * down;
        const Py_ssize_t last = moment / up;
        const double *taps = phases + (moment % up) * reach;
        Py_ssize_t from = last - reach + 1, to = last + 1;
        double total = 0.0;
        if (from < 0) {
            taps -= from;
            from = 0;
        }
        if (to > samples)
            to = samples;
        for (Py_ssize_t sample = from; sample < to; sample++)
            total += x[sample] * *taps++;
        y[n] = total;
    }
    Py_END_ALLOW_THREADS
    release(&buffers);
    Py_RETURN_NONE;
}

static PyMethodDef methods[] = {
    {"sosfilt", sosfilt, METH_VARARGS, "Second-order sections over channels, in place."},
    {"upfirdn", upfirdn, METH_VARARGS, "A stretch of the output of a polyphase filter."},
    {NULL, NULL, 0, NULL},
};

static struct PyModuleDef definition = {
    PyModuleDef_HEAD_INIT, .m_name = "_kernel", .m_doc = "Inner loops of residue.dsp.kernel.", .m_size = 0,
    .m_methods = methods,
};

PyMODINIT_FUNC PyInit__kernel(void)
{
    return PyModuleDef_Init(&definition);
}
