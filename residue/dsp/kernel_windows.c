/* Streams with a memory: sums and maxima over the last values, a maximum that falls, and the gains of a limiter. */
#include "kernel.h"

static inline double larger(double one, double other)
{
    return one >= other || one != one ? one : other; /* numpy.maximum: what is not a number stays */
}

/* slide(x, y, chunk, ends, begun, window, filled, identity, maximum, count): sliding.Sliding. */
static PyObject *slide(PyObject *module, PyObject *args)
{
    PyObject *x_array, *y_array, *chunk_array, *ends_array, *begun_array;
    Py_ssize_t window, filled, count;
    double identity;
    int maximum;
    Buffers buffers = {.held = 0};
    const double *x;
    double *y, *chunk, *ends, *begun;
    (void)module;

    if (!PyArg_ParseTuple(args, "OOOOOnndin", &x_array, &y_array, &chunk_array, &ends_array, &begun_array, &window,
                          &filled, &identity, &maximum, &count))
        return NULL;
    if (!(x = READ(x_array, count)) || !(y = WRITE(y_array, count)) || !(chunk = WRITE(chunk_array, window)) ||
        !(ends = WRITE(ends_array, window)) || !(begun = WRITE(begun_array, 1)))
        return refused(&buffers);
    if (filled < 0 || filled >= window) {
        PyErr_SetString(PyExc_ValueError, "a chunk is not filled beyond its end");
        return refused(&buffers);
    }
    Py_BEGIN_ALLOW_THREADS
    double running = *begun;
    for (Py_ssize_t n = 0; n < count; n++) {
        chunk[filled] = x[n];
        running = maximum ? larger(running, x[n]) : running + x[n];
        y[n] = maximum ? larger(ends[filled], running) : ends[filled] + running;
        if (++filled < window)
            continue;
        double back = chunk[window - 1];
        for (Py_ssize_t at = window - 2; at >= 0; at--) {
            ends[at] = back;
            back = maximum ? larger(back, chunk[at]) : back + chunk[at];
        }
        running = identity;
        filled = 0;
    }
    *begun = running;
    Py_END_ALLOW_THREADS
    return done(&buffers);
}

/* fall(x, y, down, up, lifted, least, factor, chunk, filled, count): sliding.FallingMaximum. */
static PyObject *fall(PyObject *module, PyObject *args)
{
    PyObject *x_array, *y_array, *down_array, *up_array, *lifted_array;
    Py_ssize_t chunk, filled, count;
    double least, factor;
    Buffers buffers = {.held = 0};
    const double *x, *down, *up;
    double *y, *lifted;
    (void)module;

    if (!PyArg_ParseTuple(args, "OOOOOddnnn", &x_array, &y_array, &down_array, &up_array, &lifted_array, &least,
                          &factor, &chunk, &filled, &count))
        return NULL;
    if (!(x = READ(x_array, count)) || !(y = WRITE(y_array, count)) || !(down = READ(down_array, chunk)) ||
        !(up = READ(up_array, chunk)) || !(lifted = WRITE(lifted_array, 1)))
        return refused(&buffers);
    if (filled < 0 || filled >= chunk) {
        PyErr_SetString(PyExc_ValueError, "a chunk is not filled beyond its end");
        return refused(&buffers);
    }
    Py_BEGIN_ALLOW_THREADS
    double running = *lifted;
    for (Py_ssize_t n = 0; n < count; n++) {
        running = larger(running, larger(x[n], least) * up[filled]);
        y[n] = running * down[filled];
        if (++filled == chunk) {
            running = y[n] * factor;
            filled = 0;
        }
    }
    *lifted = running;
    Py_END_ALLOW_THREADS
    return done(&buffers);
}

#define MOST_IN_A_MEDIAN 256

/* running_median(x, y, width, count): y[n] is the median of x[n] … x[n + width - 1]; width is odd. */
static PyObject *running_median(PyObject *module, PyObject *args)
{
    PyObject *x_array, *y_array;
    Py_ssize_t width, count;
    Buffers buffers = {.held = 0};
    const double *x;
    double *y;
    (void)module;

    if (!PyArg_ParseTuple(args, "OOnn", &x_array, &y_array, &width, &count))
        return NULL;
    if (width < 1 || width > MOST_IN_A_MEDIAN || width % 2 == 0) {
        PyErr_SetString(PyExc_ValueError, "a median is taken of an odd number of values, 255 at most");
        return NULL;
    }
    if (!(x = READ(x_array, count + width - 1)) || !(y = WRITE(y_array, count)))
        return refused(&buffers);
    Py_BEGIN_ALLOW_THREADS
    double sorted[MOST_IN_A_MEDIAN];
    Py_ssize_t held = 0;
    for (Py_ssize_t n = 0; n < count + width - 1; n++) {
        if (n >= width) { /* the oldest leaves */
            Py_ssize_t at = 0;
            while (at < held - 1 && sorted[at] != x[n - width])
                at++;
            for (held--; at < held; at++)
                sorted[at] = sorted[at + 1];
        }
        Py_ssize_t at = held++;
        for (; at > 0 && sorted[at - 1] > x[n]; at--)
            sorted[at] = sorted[at - 1];
        sorted[at] = x[n];
        if (n >= width - 1)
            y[n - width + 1] = sorted[width / 2];
    }
    Py_END_ALLOW_THREADS
    return done(&buffers);
}

/* The lowest of the last `window` of `count` values, into lowest (count - window + 1); in place of each chunk of the
 * window's length, the lowest from there to its end (van Herk). */
static void lowest_of(const int64_t *x, int64_t *back, int64_t *lowest, Py_ssize_t count, Py_ssize_t window)
{
    for (Py_ssize_t end = count; end > 0;) {
        const Py_ssize_t first = (end - 1) / window * window;
        back[end - 1] = x[end - 1];
        for (Py_ssize_t n = end - 2; n >= first; n--)
            back[n] = x[n] < back[n + 1] ? x[n] : back[n + 1];
        end = first;
    }
    int64_t running = 0;
    for (Py_ssize_t n = 0; n < count; n++) {
        running = n % window == 0 || x[n] < running ? x[n] : running;
        if (n >= window - 1)
            lowest[n - window + 1] = running < back[n - window + 1] ? running : back[n - window + 1];
    }
}

/* limit(asked, back, rising, last, gains, window, fade, step, one, frames): limiter.Limiter. asked: window - 1 + frames
 * values; back: as many, of no account; rising: fade - 1 values of before, then those of now; last: the value before. */
static PyObject *limit(PyObject *module, PyObject *args)
{
    PyObject *asked_array, *back_array, *rising_array, *last_array, *gains_array;
    Py_ssize_t window, fade, frames;
    long long step, one;
    Buffers buffers = {.held = 0};
    const int64_t *asked;
    int64_t *back, *rising, *last;
    double *gains;
    (void)module;

    if (!PyArg_ParseTuple(args, "OOOOOnnLLn", &asked_array, &back_array, &rising_array, &last_array, &gains_array,
                          &window, &fade, &step, &one, &frames))
        return NULL;
    if (window < 1 || fade < 1 || frames < 0) {
        PyErr_SetString(PyExc_ValueError, "a window has at least one frame");
        return refused(&buffers);
    }
    if (!(asked = READ(asked_array, window - 1 + frames)) || !(back = WRITE(back_array, window - 1 + frames)) ||
        !(rising = WRITE(rising_array, fade - 1 + frames)) || !(last = WRITE(last_array, 1)) ||
        !(gains = WRITE(gains_array, frames)))
        return refused(&buffers);
    Py_BEGIN_ALLOW_THREADS
    int64_t *now = rising + fade - 1, at = *last, total = 0;
    const double whole = (double)(fade * one);
    lowest_of(asked, back, now, window - 1 + frames, window);
    for (Py_ssize_t n = 0; n < fade - 1; n++)
        total += rising[n];
    for (Py_ssize_t n = 0; n < frames; n++) {
        at = at + step < now[n] ? at + step : now[n];
        now[n] = at;
        total += at;
        gains[n] = (double)total / whole;
        total -= rising[n];
    }
    *last = at;
    Py_END_ALLOW_THREADS
    return done(&buffers);
}

PyMethodDef windows[] = {
    {"slide", slide, METH_VARARGS, "Sums or maxima over the last values."},
    {"fall", fall, METH_VARARGS, "A maximum that falls."},
    {"running_median", running_median, METH_VARARGS, "The median of each window."},
    {"limit", limit, METH_VARARGS, "The gains of a limiter."},
    {NULL, NULL, 0, NULL},
};
