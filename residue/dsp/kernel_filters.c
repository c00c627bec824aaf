/* Second-order sections and polyphase filters, with the bits of scipy.signal.sosfilt and scipy.signal.upfirdn. */
#include "kernel.h"

#define MOST_PAIRS 2    /* of channels */
#define MOST_SECTIONS 4 /* at once: beyond that, registers run out */

/* Sections in direct form II transposed, over channels two by two. c: b0 b1 b2 1 a1 a2 of each section. states: where
 * each channel keeps two values of each section. `sections` and `pairs` are constants wherever this is called, so that
 * everything stays in registers. */
static inline __attribute__((always_inline)) void cascade(
    const double *c, double *const *states, const double *const *in, double *const *out, Py_ssize_t frames,
    const double *guard, const int sections, const int pairs)
{
    double k[5 * MOST_SECTIONS];
    Pair held[2 * MOST_SECTIONS][MOST_PAIRS];
    for (int n = 0; n < sections; n++) {
        for (int m = 0; m < 3; m++)
            k[5 * n + m] = c[6 * n + m];
        k[5 * n + 3] = c[6 * n + 4];
        k[5 * n + 4] = c[6 * n + 5];
    }
    for (int p = 0; p < pairs; p++)
        for (int n = 0; n < 2 * sections; n++)
            held[n][p] = (Pair){states[2 * p][n], states[2 * p + 1][n]};
    for (Py_ssize_t frame = 0; frame < frames; frame++) {
        for (int p = 0; p < pairs; p++) {
            Pair at = {in[2 * p][frame], in[2 * p + 1][frame]};
            if (guard)
                at += *guard;
            for (int n = 0; n < sections; n++) {
                const double *s = k + 5 * n;
                const Pair given = s[0] * at + held[2 * n][p];
                held[2 * n][p] = s[1] * at - s[3] * given + held[2 * n + 1][p];
                held[2 * n + 1][p] = s[2] * at - s[4] * given;
                at = given;
            }
            out[2 * p][frame] = at[0];
            out[2 * p + 1][frame] = at[1];
        }
    }
    for (int p = 0; p < pairs; p++)
        for (int n = 0; n < 2 * sections; n++) {
            states[2 * p][n] = held[n][p][0];
            states[2 * p + 1][n] = held[n][p][1];
        }
}

/* Some channels through all sections, a few at a time: the processor works on one while the next waits for a sum. */
static void filter(
    const double *sos, double **states, const double **in, double **out, Py_ssize_t sections, Py_ssize_t frames,
    double guard, int pairs)
{
    const double *added = &guard;
    for (Py_ssize_t made = 0; made < sections;) {
        const double *c = sos + 6 * made;
        const Py_ssize_t left = sections - made;
        const int now = pairs == 2 ? (left > 2 ? 2 : (int)left) : left > MOST_SECTIONS ? MOST_SECTIONS : (int)left;
        const double *const *from = added ? in : (const double *const *)out;
        switch (pairs == 2 ? 10 + now : now) {
        case 1: cascade(c, states, from, out, frames, added, 1, 1); break;
        case 2: cascade(c, states, from, out, frames, added, 2, 1); break;
        case 3: cascade(c, states, from, out, frames, added, 3, 1); break;
        case 4: cascade(c, states, from, out, frames, added, 4, 1); break;
        case 11: cascade(c, states, from, out, frames, added, 1, 2); break;
        case 12: cascade(c, states, from, out, frames, added, 2, 2); break;
        }
        for (int lane = 0; lane < 2 * pairs; lane++)
            states[lane] += 2 * now;
        made += now;
        added = NULL;
    }
}

/* sosfilt(sos, x, y, state, guard, sections, channels, frames): y is x + guard, filtered; y may be x. */
static PyObject *sosfilt(PyObject *module, PyObject *args)
{
    PyObject *sos_array, *x_array, *y_array, *state_array;
    Py_ssize_t sections, channels, frames;
    double guard;
    Buffers buffers = {.held = 0};
    double *sos, *x, *y, *state;
    (void)module;

    if (!PyArg_ParseTuple(args, "OOOOdnnn", &sos_array, &x_array, &y_array, &state_array, &guard, &sections, &channels,
                          &frames))
        return NULL;
    if (sections < 1) {
        PyErr_SetString(PyExc_ValueError, "a filter has at least one section");
        return NULL;
    }
    if (!(sos = READ(sos_array, 6 * sections)) || !(x = READ(x_array, channels * frames)) ||
        !(y = WRITE(y_array, channels * frames)) || !(state = WRITE(state_array, channels * sections * 2)))
        return refused(&buffers);
    Py_BEGIN_ALLOW_THREADS
    for (Py_ssize_t first = 0; first < channels; first += 2 * MOST_PAIRS) {
        const int pairs = channels - first > 2 ? 2 : 1;
        double *states[2 * MOST_PAIRS], *out[2 * MOST_PAIRS];
        const double *in[2 * MOST_PAIRS];
        for (int lane = 0; lane < 2 * pairs; lane++) { /* a lane without a channel does the same as the last one */
            const Py_ssize_t channel = first + lane < channels ? first + lane : channels - 1;
            states[lane] = state + channel * sections * 2;
            in[lane] = x + channel * frames;
            out[lane] = y + channel * frames;
        }
        filter(sos, states, in, out, sections, frames, guard, pairs);
    }
    Py_END_ALLOW_THREADS
    return done(&buffers);
}

#define AT_ONCE 4 /* outputs of a polyphase filter: the sum of one waits for its last addition, those of others do not */

/* One output: where its samples and taps begin, and how many there are. */
typedef struct {
    const double *x, *taps;
    Py_ssize_t count;
} Sum;

static Sum sum_of(
    const double *phases, const double *x, Py_ssize_t reach, Py_ssize_t up, Py_ssize_t moment, Py_ssize_t samples)
{
    const Py_ssize_t last = moment / up, from = last - reach + 1, to = last + 1 < samples ? last + 1 : samples;
    const Py_ssize_t first = from > 0 ? from : 0;
    return (Sum){x + first, phases + (moment % up) * reach + (first - from), to - first};
}

/* Whether taps are found where they lie; else an error is set. */
static int sensible(Py_ssize_t reach, Py_ssize_t up, Py_ssize_t down, Py_ssize_t first)
{
    if (reach >= 1 && up >= 1 && down >= 1 && first >= 0)
        return 1;
    PyErr_SetString(PyExc_ValueError, "rates and taps are counted from 1 on, and outputs from 0 on");
    return 0;
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
    if (!sensible(reach, up, down, first))
        return NULL;
    if (!(phases = READ(phases_array, up * reach)) || !(x = READ(x_array, samples)) || !(y = WRITE(y_array, wanted)))
        return refused(&buffers);
    Py_BEGIN_ALLOW_THREADS
    for (Py_ssize_t n = 0; n < wanted; n += AT_ONCE) {
        const int now = wanted - n < AT_ONCE ? (int)(wanted - n) : AT_ONCE;
        Sum sums[AT_ONCE];
        Py_ssize_t together = now == AT_ONCE ? reach : 0;
        double total[AT_ONCE] = {0.0};
        for (int m = 0; m < now; m++) {
            sums[m] = sum_of(phases, x, reach, up, (first + n + m) * down, samples);
            if (sums[m].count < together)
                together = sums[m].count > 0 ? sums[m].count : 0;
        }
        for (Py_ssize_t tap = 0; tap < together; tap++)
            for (int m = 0; m < AT_ONCE; m++)
                total[m] += sums[m].x[tap] * sums[m].taps[tap];
        for (int m = 0; m < now; m++) {
            for (Py_ssize_t tap = together; tap < sums[m].count; tap++)
                total[m] += sums[m].x[tap] * sums[m].taps[tap];
            y[n + m] = total[m];
        }
    }
    Py_END_ALLOW_THREADS
    return done(&buffers);
}

#define PHASES_AT_ONCE 8

/* interpolate(taps, x, y, reach, up, first, samples, wanted): upfirdn without thinning, some phases that follow each other
 * at once, since they come from the same samples. taps: (reach, up), those of each phase from the last to the first. */
static PyObject *interpolate(PyObject *module, PyObject *args)
{
    PyObject *taps_array, *x_array, *y_array;
    Py_ssize_t reach, up, first, samples, wanted;
    Buffers buffers = {.held = 0};
    const double *taps, *x;
    double *y;
    (void)module;

    if (!PyArg_ParseTuple(args, "OOOnnnnn", &taps_array, &x_array, &y_array, &reach, &up, &first, &samples, &wanted))
        return NULL;
    if (!sensible(reach, up, 1, first))
        return NULL;
    if (!(taps = READ(taps_array, up * reach)) || !(x = READ(x_array, samples)) || !(y = WRITE(y_array, wanted)))
        return refused(&buffers);
    Py_BEGIN_ALLOW_THREADS
    for (Py_ssize_t n = 0; n < wanted;) {
        const Py_ssize_t last = (first + n) / up, phase = (first + n) % up, begin = last - reach + 1;
        const Py_ssize_t from = begin > 0 ? begin : 0, to = last + 1 < samples ? last + 1 : samples;
        const Py_ssize_t most = up - phase < wanted - n ? up - phase : wanted - n;
        const double *here = taps + phase - begin * up;
        double total[PHASES_AT_ONCE] = {0.0};
        if (most >= PHASES_AT_ONCE) {
            for (Py_ssize_t sample = from; sample < to; sample++)
                for (int m = 0; m < PHASES_AT_ONCE; m++)
                    total[m] += x[sample] * here[sample * up + m];
            for (int m = 0; m < PHASES_AT_ONCE; m++)
                y[n++] = total[m];
        } else {
            for (Py_ssize_t sample = from; sample < to; sample++)
                total[0] += x[sample] * here[sample * up];
            y[n++] = total[0];
        }
    }
    Py_END_ALLOW_THREADS
    return done(&buffers);
}

PyMethodDef filters[] = {
    {"sosfilt", sosfilt, METH_VARARGS, "Second-order sections over channels."},
    {"upfirdn", upfirdn, METH_VARARGS, "A stretch of the output of a polyphase filter."},
    {"interpolate", interpolate, METH_VARARGS, "A stretch of the output of a polyphase filter that only interpolates."},
    {NULL, NULL, 0, NULL},
};
