/* Sounds of the past that go on sounding: loops, a room, grains. */
#include "kernel.h"
#include <math.h>
#include <string.h>

#define MOST_LINES 8
#define LINE_FRAMES 128 /* frames that the lines of a room or of loops pass on at once */

/* Delay lines one behind the other in one array: their lengths, and where each keeps its oldest frame. */
typedef struct {
    double *ring;
    const int64_t *lengths;
    int64_t *at;
    Py_ssize_t count;
} Lines;

/* Whether all lines lie within `held` values and are at least as long as what they pass on at once; else an error is
 * set. */
static int fitting(const Lines *lines, Py_ssize_t held)
{
    int64_t all = 0;
    for (Py_ssize_t line = 0; line < lines->count; line++) {
        const int64_t length = lines->lengths[line];
        if (length < LINE_FRAMES || length > held || lines->at[line] < 0 || lines->at[line] >= length)
            all = (int64_t)held + 1;
        else
            all += length;
        if (all > held) {
            PyErr_SetString(PyExc_ValueError, "a delay line is too short, or is not all there");
            return 0;
        }
    }
    return 1;
}

static void oldest(const Lines *lines, double *into, Py_ssize_t frames)
{
    const double *ring = lines->ring;
    for (Py_ssize_t line = 0; line < lines->count; line++) {
        const Py_ssize_t left = lines->lengths[line] - lines->at[line], whole = left < frames ? left : frames;
        memcpy(into + line * frames, ring + lines->at[line], whole * sizeof(double));
        memcpy(into + line * frames + whole, ring, (frames - whole) * sizeof(double));
        ring += lines->lengths[line];
    }
}

static void push(Lines *lines, const double *from, Py_ssize_t frames)
{
    double *ring = lines->ring;
    for (Py_ssize_t line = 0; line < lines->count; line++) {
        const Py_ssize_t left = lines->lengths[line] - lines->at[line], whole = left < frames ? left : frames;
        memcpy(ring + lines->at[line], from + line * frames, whole * sizeof(double));
        memcpy(ring, from + line * frames + whole, (frames - whole) * sizeof(double));
        lines->at[line] = (lines->at[line] + frames) % lines->lengths[line];
        ring += lines->lengths[line];
    }
}

/* The values of an array, as `take` gives them, and how many there are. */
static Py_ssize_t held_in(const Buffers *buffers)
{
    return buffers->views[buffers->held - 1].len / 8;
}

/* One piece of a room: heard, (lines, frames), becomes what goes back into the lines. */
WIDE static void mix_room(
    const double *heard, double *back, const double *x, double *y, Py_ssize_t y_row, const double *losses,
    Py_ssize_t lines, Py_ssize_t inputs, Py_ssize_t x_row, Py_ssize_t frames)
{
    const double share = 2.0 / (double)lines;
    for (Py_ssize_t line = 0; line < lines; line++)
        for (Py_ssize_t n = 0; n < frames; n++)
            back[line * frames + n] *= losses[line];
    double total[LINE_FRAMES];
    for (Py_ssize_t n = 0; n < frames; n++)
        total[n] = back[n];
    for (Py_ssize_t line = 1; line < lines; line++)
        for (Py_ssize_t n = 0; n < frames; n++)
            total[n] += back[line * frames + n];
    for (Py_ssize_t line = 0; line < lines; line++) {
        const double *given = x + line % inputs * x_row;
        for (Py_ssize_t n = 0; n < frames; n++)
            back[line * frames + n] = (back[line * frames + n] - total[n] * share) + given[n];
    }
    for (Py_ssize_t side = 0; side < 2; side++) {
        double *out = y + side * y_row;
        for (Py_ssize_t n = 0; n < frames; n++)
            out[n] = heard[side * frames + n];
        for (Py_ssize_t line = side + 2; line < lines; line += 2)
            for (Py_ssize_t n = 0; n < frames; n++)
                out[n] += heard[line * frames + n];
        for (Py_ssize_t n = 0; n < frames; n++)
            out[n] *= 0.5;
    }
}

/* room(x, y, ring, lengths, at, losses, sos, state, guard, lines, inputs, frames): reverberation.Network. */
static PyObject *room(PyObject *module, PyObject *args)
{
    PyObject *x_array, *y_array, *ring_array, *lengths_array, *at_array, *losses_array, *sos_array, *state_array;
    Py_ssize_t inputs, frames, held;
    double guard;
    Buffers buffers = {.held = 0};
    const double *x, *losses, *sos;
    double *y, *state;
    Lines lines;
    (void)module;

    if (!PyArg_ParseTuple(args, "OOOOOOOOdnnn", &x_array, &y_array, &ring_array, &lengths_array, &at_array,
                          &losses_array, &sos_array, &state_array, &guard, &lines.count, &inputs, &frames))
        return NULL;
    if (inputs < 1 || lines.count < 2 || lines.count > MOST_LINES) {
        PyErr_SetString(PyExc_ValueError, "a room has two to eight lines and an input");
        return NULL;
    }
    if (!(x = READ(x_array, inputs * frames)) || !(y = WRITE(y_array, 2 * frames)) ||
        !(lines.ring = WRITE(ring_array, 0)))
        return refused(&buffers);
    held = held_in(&buffers);
    if (!(lines.lengths = READ(lengths_array, lines.count)) || !(lines.at = WRITE(at_array, lines.count)) ||
        !(losses = READ(losses_array, lines.count)) || !(sos = READ(sos_array, 6)) ||
        !(state = WRITE(state_array, lines.count * 2)) || !fitting(&lines, held))
        return refused(&buffers);
    Py_BEGIN_ALLOW_THREADS
    double heard[MOST_LINES * LINE_FRAMES], back[MOST_LINES * LINE_FRAMES];
    for (Py_ssize_t first = 0; first < frames; first += LINE_FRAMES) {
        const Py_ssize_t now = frames - first < LINE_FRAMES ? frames - first : LINE_FRAMES;
        oldest(&lines, heard, now);
        filter_channels(sos, heard, back, state, guard, 1, lines.count, now, 0, 1);
        mix_room(heard, back, x + first, y + first, frames, losses, lines.count, inputs, frames, now);
        push(&lines, back, now);
    }
    Py_END_ALLOW_THREADS
    return done(&buffers);
}

/* What was heard once more, with what is new, bent as by shaping.bend_above. */
WIDE static void once_more(
    double *again, const double *kept, Py_ssize_t kept_step, const double *heard, double knee, double bound,
    Py_ssize_t frames)
{
    const double room = bound - knee;
    int loud = 0;
    for (Py_ssize_t n = 0; n < frames; n++) {
        again[n] = again[n] * kept[n * kept_step] + heard[n];
        loud |= fabs(again[n]) > knee;
    }
    if (!loud)
        return;
    for (Py_ssize_t n = 0; n < frames; n++) {
        const double size = fabs(again[n]), over = size - knee;
        again[n] = size > knee ? copysign(knee + over * room / (over + room), again[n]) : again[n];
    }
}

/* loops(heard, kept, y, ring, lengths, at, sos, state, guard, knee, bound, loops, moving, frames): memory.Loops. y:
 * (loops, frames). kept: (frames,) if it is moving, else one value. */
static PyObject *loops(PyObject *module, PyObject *args)
{
    PyObject *heard_array, *kept_array, *y_array, *ring_array, *lengths_array, *at_array, *sos_array, *state_array;
    Py_ssize_t moving, frames, held;
    double guard, knee, bound;
    Buffers buffers = {.held = 0};
    const double *heard, *kept, *sos;
    double *y, *state;
    Lines lines;
    (void)module;

    if (!PyArg_ParseTuple(args, "OOOOOOOOdddnnn", &heard_array, &kept_array, &y_array, &ring_array, &lengths_array,
                          &at_array, &sos_array, &state_array, &guard, &knee, &bound, &lines.count, &moving, &frames))
        return NULL;
    if (lines.count < 1 || lines.count > MOST_LINES) {
        PyErr_SetString(PyExc_ValueError, "there are one to eight loops");
        return NULL;
    }
    if (!(heard = READ(heard_array, frames)) || !(kept = READ(kept_array, moving ? frames : 1)) ||
        !(y = WRITE(y_array, lines.count * frames)) || !(lines.ring = WRITE(ring_array, 0)))
        return refused(&buffers);
    held = held_in(&buffers);
    if (!(lines.lengths = READ(lengths_array, lines.count)) || !(lines.at = WRITE(at_array, lines.count)) ||
        !(sos = READ(sos_array, 6)) || !(state = WRITE(state_array, lines.count * 2)) || !fitting(&lines, held))
        return refused(&buffers);
    Py_BEGIN_ALLOW_THREADS
    double sounding[MOST_LINES * LINE_FRAMES], again[MOST_LINES * LINE_FRAMES];
    for (Py_ssize_t first = 0; first < frames; first += LINE_FRAMES) {
        const Py_ssize_t now = frames - first < LINE_FRAMES ? frames - first : LINE_FRAMES;
        oldest(&lines, sounding, now);
        for (Py_ssize_t line = 0; line < lines.count; line++)
            memcpy(y + line * frames + first, sounding + line * now, now * sizeof(double));
        filter_channels(sos, sounding, again, state, guard, 1, lines.count, now, 0, 1);
        for (Py_ssize_t line = 0; line < lines.count; line++)
            once_more(again + line * now, kept + (moving ? first : 0), moving != 0, heard + first, knee, bound, now);
        push(&lines, again, now);
    }
    Py_END_ALLOW_THREADS
    return done(&buffers);
}

/* Some frames of a sound read at another speed: by a cubic through four, as resampling.cubic, or as they are. */
WIDE static void read_at(
    const double *ring, Py_ssize_t size, Py_ssize_t *at, uint64_t way, int64_t step, double *read, Py_ssize_t frames)
{
    double before[CHUNK], here[CHUNK], after[CHUNK], beyond[CHUNK], shares[CHUNK];
    const Py_ssize_t two = 2 % size; /* further on; a ring may have one frame */
    Py_ssize_t place = *at;
    uint64_t rest = way;
    for (Py_ssize_t n = 0; n < frames; n++) {
        before[n] = ring[place ? place - 1 : size - 1];
        here[n] = ring[place];
        after[n] = ring[place + 1 < size ? place + 1 : place + 1 - size];
        beyond[n] = ring[place + two < size ? place + two : place + two - size];
        shares[n] = (double)(int64_t)rest * 0x1p-32;
        rest += (uint64_t)step;
        place += (Py_ssize_t)(rest >> 32);
        rest &= 0xffffffffu;
        if (place >= size)
            place -= size;
    }
    *at = place;
    if (step == (int64_t)1 << 32 && way == 0) {
        memcpy(read, here, frames * sizeof(double));
        return;
    }
    for (Py_ssize_t n = 0; n < frames; n++) {
        const double share = shares[n], back = share + 1.0, on = share - 1.0, over = share - 2.0;
        read[n] = share * on * (back * beyond[n] - over * before[n]) / 6.0 +
                  back * over * (on * here[n] - share * after[n]) / 2.0;
    }
}

/* Hann's window of a grain from a frame on, as in cloud.py, times what was read. */
WIDE static void shape(double *read, uint64_t within, uint64_t turn, const double *coefficients, Py_ssize_t frames)
{
    double c[SINE_TERMS];
    for (int n = 0; n < SINE_TERMS; n++)
        c[n] = coefficients[n];
    uint64_t phases[CHUNK];
    for (Py_ssize_t n = 0; n < frames; n++)
        phases[n] = (2 * (within + (uint64_t)n) + 1) * turn + ((uint64_t)1 << 62);
    for (Py_ssize_t n = 0; n < frames; n++)
        read[n] *= 0.5 - 0.5 * sine_of((int64_t)phases[n], c);
}

/* grain(ring, out, gains, coefficients, position, within, step, turn, offset, count, channels, frames): adds `count`
 * frames of a sound to out, (channels, frames), from `offset` on, each channel with its gain. The sound began at
 * `position` of the ring, `within` frames before, at a speed of `step` / 2**32. turn: half a step of the window's phase;
 * 0 for no window. */
static PyObject *grain(PyObject *module, PyObject *args)
{
    PyObject *ring_array, *out_array, *gains_array, *coefficients_array;
    Py_ssize_t position, within, offset, count, channels, frames, size;
    long long step;
    unsigned long long turn;
    Buffers buffers = {.held = 0};
    const double *ring, *gains, *coefficients;
    double *out;
    (void)module;

    if (!PyArg_ParseTuple(args, "OOOOnnLKnnnn", &ring_array, &out_array, &gains_array, &coefficients_array, &position,
                          &within, &step, &turn, &offset, &count, &channels, &frames))
        return NULL;
    if (!(ring = READ(ring_array, 1)))
        return refused(&buffers);
    size = held_in(&buffers);
    if (offset < 0 || count < 0 || within < 0 || step < 0 || (step >> 32) >= size || offset + count > frames) {
        PyErr_SetString(PyExc_ValueError, "a grain lies within what is played, and reads what is remembered");
        return refused(&buffers);
    }
    if (!(out = WRITE(out_array, channels * frames)) || !(gains = READ(gains_array, channels)) ||
        !(coefficients = READ(coefficients_array, SINE_TERMS)))
        return refused(&buffers);
    Py_BEGIN_ALLOW_THREADS
    uint64_t way = (uint64_t)within * (uint64_t)step;
    Py_ssize_t at = (position + (Py_ssize_t)(way >> 32)) % size;
    at = at < 0 ? at + size : at;
    double read[CHUNK];
    for (Py_ssize_t first = 0; first < count; first += CHUNK) {
        const Py_ssize_t now = count - first < CHUNK ? count - first : CHUNK;
        read_at(ring, size, &at, way & 0xffffffffu, step, read, now);
        way += (uint64_t)now * (uint64_t)step;
        if (turn)
            shape(read, (uint64_t)(within + first), turn, coefficients, now);
        for (Py_ssize_t channel = 0; channel < channels; channel++) {
            double *into = out + channel * frames + offset + first;
            for (Py_ssize_t n = 0; n < now; n++)
                into[n] += read[n] * gains[channel];
        }
    }
    Py_END_ALLOW_THREADS
    return done(&buffers);
}

/* raise_(ring, window, out, at, factor, begin, offset, count): adds `count` frames to out from `offset` on: every
 * `factor`-th of the ring from `at` on, times the window from `begin` on. */
static PyObject *raise_up(PyObject *module, PyObject *args)
{
    PyObject *ring_array, *window_array, *out_array;
    Py_ssize_t at, factor, begin, offset, count, size;
    Buffers buffers = {.held = 0};
    const double *ring, *window;
    double *out;
    (void)module;

    if (!PyArg_ParseTuple(args, "OOOnnnnn", &ring_array, &window_array, &out_array, &at, &factor, &begin, &offset,
                          &count))
        return NULL;
    if (!(ring = READ(ring_array, 1)))
        return refused(&buffers);
    size = held_in(&buffers);
    if (at < 0 || at >= size || factor < 1 || factor > size || begin < 0 || offset < 0 || count < 0) {
        PyErr_SetString(PyExc_ValueError, "a grain begins within what is remembered");
        return refused(&buffers);
    }
    if (!(window = READ(window_array, begin + count)) || !(out = WRITE(out_array, offset + count)))
        return refused(&buffers);
    Py_BEGIN_ALLOW_THREADS
    for (Py_ssize_t n = 0; n < count; n++) {
        out[offset + n] += ring[at] * window[begin + n];
        at += factor;
        if (at >= size)
            at -= size;
    }
    Py_END_ALLOW_THREADS
    return done(&buffers);
}

PyMethodDef memories[] = {
    {"room", room, METH_VARARGS, "Delay lines that feed each other."},
    {"loops", loops, METH_VARARGS, "Loops that add to what they hold."},
    {"grain", grain, METH_VARARGS, "A sound read at another speed, shaped, and added."},
    {"raise_", raise_up, METH_VARARGS, "A grain of a sound that is raised by a whole factor."},
    {NULL, NULL, 0, NULL},
};
