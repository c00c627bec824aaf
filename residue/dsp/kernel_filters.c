/* Second-order sections and polyphase filters, with the bits of scipy.signal.sosfilt and scipy.signal.upfirdn. */
#include "kernel.h"
#include <string.h>

#define MOST_LANES 8    /* channels at once */
#define MOST_SECTIONS 4 /* at once: beyond that, registers run out */

/* Some channels on their way through their sections. coefficients: b0 b1 b2 1 a1 a2 of each section, of each channel.
 * states: where each channel keeps two values of each section. */
typedef struct {
    const double *coefficients[MOST_LANES], *in[MOST_LANES];
    double *states[MOST_LANES], *out[MOST_LANES];
} Lanes;

#define PAIR_OF(rows, at) ((Pair){(rows)[0][at], (rows)[1][at]})
#define QUAD_OF(rows, at) ((Quad){(rows)[0][at], (rows)[1][at], (rows)[2][at], (rows)[3][at]})

/* Sections in direct form II transposed, over `groups` registers of channels: the processor works on one while the next
 * waits for a sum. `sections` and `groups` are constants wherever this is called, so that all stays in registers. */
#define CASCADE(name, Vector, of, width)                                                                               \
    INLINE void name(Lanes *lanes, Py_ssize_t frames, const double *guard, const int sections, const int groups)       \
    {                                                                                                                  \
        Vector k[5 * MOST_SECTIONS][2] = {{{0}}}, held[2 * MOST_SECTIONS][2] = {{{0}}};                                \
        for (int g = 0; g < groups; g++)                                                                               \
            for (int n = 0; n < sections; n++) {                                                                       \
                const double *const *c = lanes->coefficients + width * g;                                              \
                for (int m = 0; m < 3; m++)                                                                            \
                    k[5 * n + m][g] = of(c, 6 * n + m);                                                                \
                k[5 * n + 3][g] = of(c, 6 * n + 4);                                                                    \
                k[5 * n + 4][g] = of(c, 6 * n + 5);                                                                    \
                held[2 * n][g] = of((const double *const *)lanes->states + width * g, 2 * n);                          \
                held[2 * n + 1][g] = of((const double *const *)lanes->states + width * g, 2 * n + 1);                  \
            }                                                                                                          \
        for (Py_ssize_t frame = 0; frame < frames; frame++)                                                            \
            for (int g = 0; g < groups; g++) {                                                                         \
                Vector at = of(lanes->in + width * g, frame);                                                          \
                if (guard)                                                                                             \
                    at += *guard;                                                                                      \
                for (int n = 0; n < sections; n++) {                                                                   \
                    const Vector given = k[5 * n][g] * at + held[2 * n][g];                                            \
                    held[2 * n][g] = k[5 * n + 1][g] * at - k[5 * n + 3][g] * given + held[2 * n + 1][g];              \
                    held[2 * n + 1][g] = k[5 * n + 2][g] * at - k[5 * n + 4][g] * given;                               \
                    at = given;                                                                                        \
                }                                                                                                      \
                for (int lane = 0; lane < width; lane++)                                                               \
                    lanes->out[width * g + lane][frame] = at[lane];                                                    \
            }                                                                                                          \
        for (int g = 0; g < groups; g++)                                                                               \
            for (int n = 0; n < 2 * sections; n++)                                                                     \
                for (int lane = 0; lane < width; lane++)                                                               \
                    lanes->states[width * g + lane][n] = held[n][g][lane];                                             \
    }

CASCADE(by_pairs, Pair, PAIR_OF, 2)
CASCADE(by_quads, Quad, QUAD_OF, 4)

/* Channels through all their sections, a few sections at a time. count: 2, 4 or 8. */
INLINE void filter(Lanes *lanes, Py_ssize_t sections, Py_ssize_t frames, double guard, int count)
{
    const double *added = &guard;
    const int most = count == 8 ? 2 : MOST_SECTIONS;
    for (Py_ssize_t made = 0; made < sections;) {
        const int now = sections - made < most ? (int)(sections - made) : most;
        switch (10 * count + now) {
        case 21: by_pairs(lanes, frames, added, 1, 1); break;
        case 22: by_pairs(lanes, frames, added, 2, 1); break;
        case 23: by_pairs(lanes, frames, added, 3, 1); break;
        case 24: by_pairs(lanes, frames, added, 4, 1); break;
        case 41: by_quads(lanes, frames, added, 1, 1); break;
        case 42: by_quads(lanes, frames, added, 2, 1); break;
        case 43: by_quads(lanes, frames, added, 3, 1); break;
        case 44: by_quads(lanes, frames, added, 4, 1); break;
        case 81: by_quads(lanes, frames, added, 1, 2); break;
        case 82: by_quads(lanes, frames, added, 2, 2); break;
        }
        for (int lane = 0; lane < count; lane++) {
            lanes->coefficients[lane] += 6 * now;
            lanes->states[lane] += 2 * now;
            lanes->in[lane] = lanes->out[lane];
        }
        made += now;
        added = NULL;
    }
}

/* What sosfilt does, over all channels. */
WIDE static void filter_all(
    const double *sos, const double *x, double *y, double *state, double guard, Py_ssize_t sections,
    Py_ssize_t channels, Py_ssize_t frames, int own_filters, int own_inputs)
{
    for (Py_ssize_t first = 0; first < channels;) {
        const Py_ssize_t left = channels - first;
        const int count = left > 4 ? 8 : left > 2 ? 4 : 2;
        Lanes lanes;
        for (int lane = 0; lane < count; lane++) { /* a lane without a channel does the same as the last one */
            const Py_ssize_t channel = first + lane < channels ? first + lane : channels - 1;
            lanes.coefficients[lane] = sos + (own_filters ? channel * sections * 6 : 0);
            lanes.states[lane] = state + channel * sections * 2;
            lanes.in[lane] = x + (own_inputs ? channel * frames : 0);
            lanes.out[lane] = y + channel * frames;
        }
        filter(&lanes, sections, frames, guard, count);
        first += count;
    }
}

void filter_channels(
    const double *sos, const double *x, double *y, double *state, double guard, Py_ssize_t sections,
    Py_ssize_t channels, Py_ssize_t frames, int own_filters, int own_inputs)
{
    filter_all(sos, x, y, state, guard, sections, channels, frames, own_filters, own_inputs);
}

/* sosfilt(sos, x, y, state, guard, sections, channels, frames, filters, inputs): y is x + guard, filtered. filters,
 * inputs: as many as channels, or one for all of them; y may be x if there are as many inputs as channels. */
static PyObject *sosfilt(PyObject *module, PyObject *args)
{
    PyObject *sos_array, *x_array, *y_array, *state_array;
    Py_ssize_t sections, channels, frames, own, inputs;
    double guard;
    Buffers buffers = {.held = 0};
    double *sos, *x, *y, *state;
    (void)module;

    if (!PyArg_ParseTuple(args, "OOOOdnnnnn", &sos_array, &x_array, &y_array, &state_array, &guard, &sections,
                          &channels, &frames, &own, &inputs))
        return NULL;
    if (sections < 1) {
        PyErr_SetString(PyExc_ValueError, "a filter has at least one section");
        return NULL;
    }
    if ((own != 1 && own != channels) || (inputs != 1 && inputs != channels)) {
        PyErr_SetString(PyExc_ValueError, "each channel has a filter and an input, or all have one");
        return NULL;
    }
    if (!(sos = READ(sos_array, own * 6 * sections)) || !(x = READ(x_array, inputs * frames)) ||
        !(y = WRITE(y_array, channels * frames)) || !(state = WRITE(state_array, channels * sections * 2)))
        return refused(&buffers);
    Py_BEGIN_ALLOW_THREADS
    filter_channels(sos, x, y, state, guard, sections, channels, frames, own > 1, inputs > 1);
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

#define PHASES_AT_ONCE 8 /* in two registers */

INLINE Quad quad_at(const double *values)
{
    Quad found;
    memcpy(&found, values, sizeof found);
    return found;
}

WIDE static void interpolate_all(
    const double *taps, const double *x, double *y, Py_ssize_t reach, Py_ssize_t up, Py_ssize_t first,
    Py_ssize_t samples, Py_ssize_t wanted)
{
    for (Py_ssize_t n = 0; n < wanted;) {
        const Py_ssize_t last = (first + n) / up, phase = (first + n) % up, begin = last - reach + 1;
        const Py_ssize_t from = begin > 0 ? begin : 0, to = last + 1 < samples ? last + 1 : samples;
        const Py_ssize_t most = up - phase < wanted - n ? up - phase : wanted - n;
        const double *here = taps + phase - begin * up;
        if (most >= PHASES_AT_ONCE) {
            Quad low = {0.0}, high = {0.0};
            for (Py_ssize_t sample = from; sample < to; sample++) {
                low += x[sample] * quad_at(here + sample * up);
                high += x[sample] * quad_at(here + sample * up + 4);
            }
            memcpy(y + n, &low, sizeof low);
            memcpy(y + n + 4, &high, sizeof high);
            n += PHASES_AT_ONCE;
        } else {
            double total = 0.0;
            for (Py_ssize_t sample = from; sample < to; sample++)
                total += x[sample] * here[sample * up];
            y[n++] = total;
        }
    }
}

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
    interpolate_all(taps, x, y, reach, up, first, samples, wanted);
    Py_END_ALLOW_THREADS
    return done(&buffers);
}

PyMethodDef filters[] = {
    {"sosfilt", sosfilt, METH_VARARGS, "Second-order sections over channels."},
    {"upfirdn", upfirdn, METH_VARARGS, "A stretch of the output of a polyphase filter."},
    {"interpolate", interpolate, METH_VARARGS, "A stretch of the output of a polyphase filter that only interpolates."},
    {NULL, NULL, 0, NULL},
};
