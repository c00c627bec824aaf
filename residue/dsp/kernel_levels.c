/* What the meters take from a hop: sums of powers in numpy's order, highest magnitudes, and peaks between the samples. */
#include "kernel.h"
#include <math.h>

#define MOST_IN_A_LEAF 128 /* numpy adds so many values in eight sums, and halves what is longer */

static inline double raised(double value, int power)
{
    const double square = value * value;
    return power == 4 ? square * square : square;
}

static inline Pair pair_raised(const double *x, int power)
{
    const Pair at = {x[0], x[1]}, square = at * at;
    return power == 4 ? square * square : square;
}

/* The sum of powers in the order of numpy's pairwise summation. */
static double power_sum(const double *x, Py_ssize_t count, int power)
{
    if (count > MOST_IN_A_LEAF) {
        Py_ssize_t half = count / 2;
        half -= half % 8;
        return power_sum(x, half, power) + power_sum(x + half, count - half, power);
    }
    double total = 0.0;
    Py_ssize_t n = 0;
    if (count >= 8) {
        Pair sums[4];
        for (int m = 0; m < 4; m++)
            sums[m] = pair_raised(x + 2 * m, power);
        for (n = 8; n + 8 <= count; n += 8)
            for (int m = 0; m < 4; m++)
                sums[m] += pair_raised(x + n + 2 * m, power);
        total = ((sums[0][0] + sums[0][1]) + (sums[1][0] + sums[1][1])) +
                ((sums[2][0] + sums[2][1]) + (sums[3][0] + sums[3][1]));
    }
    for (; n < count; n++)
        total += raised(x[n], power);
    return total;
}

/* power_sums(x, sums, power, count, length): of each `length` values, the sum of their powers, 2 or 4. */
static PyObject *power_sums(PyObject *module, PyObject *args)
{
    PyObject *x_array, *sums_array;
    Py_ssize_t count, length;
    int power;
    Buffers buffers = {.held = 0};
    const double *x;
    double *sums;
    (void)module;

    if (!PyArg_ParseTuple(args, "OOinn", &x_array, &sums_array, &power, &count, &length))
        return NULL;
    if (!(x = READ(x_array, count * length)) || !(sums = WRITE(sums_array, count)))
        return refused(&buffers);
    Py_BEGIN_ALLOW_THREADS
    for (Py_ssize_t n = 0; n < count; n++)
        sums[n] = power == 4 ? power_sum(x + n * length, length, 4) : power_sum(x + n * length, length, 2);
    Py_END_ALLOW_THREADS
    return done(&buffers);
}

static void add_up(const double *gains, const double *x, double *restrict y, Py_ssize_t rows, Py_ssize_t count)
{
    for (Py_ssize_t row = 0; row < rows; row++) {
        const double gain = gains[row], *restrict from = x + row * count;
        if (row == 0)
            for (Py_ssize_t n = 0; n < count; n++)
                y[n] = gain * from[n];
        else
            for (Py_ssize_t n = 0; n < count; n++)
                y[n] += gain * from[n];
    }
}

/* weighted_sum(gains, x, y, rows, count): y is the first row times its gain, plus the second times its gain … */
static PyObject *weighted_sum(PyObject *module, PyObject *args)
{
    PyObject *gains_array, *x_array, *y_array;
    Py_ssize_t rows, count;
    Buffers buffers = {.held = 0};
    const double *gains, *x;
    double *y;
    (void)module;

    if (!PyArg_ParseTuple(args, "OOOnn", &gains_array, &x_array, &y_array, &rows, &count))
        return NULL;
    if (!(gains = READ(gains_array, rows)) || !(x = READ(x_array, rows * count)) || !(y = WRITE(y_array, count)))
        return refused(&buffers);
    Py_BEGIN_ALLOW_THREADS
    add_up(gains, x, y, rows, count);
    Py_END_ALLOW_THREADS
    return done(&buffers);
}

/* The highest magnitude of some values, none of which may be NaN. */
static double highest_of(const double *x, Py_ssize_t count)
{
    double highest[8] = {0.0};
    Py_ssize_t n = 0;
    for (; n + 8 <= count; n += 8)
        for (int m = 0; m < 8; m++)
            highest[m] = fabs(x[n + m]) > highest[m] ? fabs(x[n + m]) : highest[m];
    for (; n < count; n++)
        highest[0] = fabs(x[n]) > highest[0] ? fabs(x[n]) : highest[0];
    for (int m = 1; m < 8; m++)
        highest[0] = highest[m] > highest[0] ? highest[m] : highest[0];
    return highest[0];
}

/* magnitudes(x, highest, rows, count): the highest magnitude of each row. */
static PyObject *magnitudes(PyObject *module, PyObject *args)
{
    PyObject *x_array, *highest_array;
    Py_ssize_t rows, count;
    Buffers buffers = {.held = 0};
    const double *x;
    double *highest;
    (void)module;

    if (!PyArg_ParseTuple(args, "OOnn", &x_array, &highest_array, &rows, &count))
        return NULL;
    if (!(x = READ(x_array, rows * count)) || !(highest = WRITE(highest_array, rows)))
        return refused(&buffers);
    Py_BEGIN_ALLOW_THREADS
    for (Py_ssize_t row = 0; row < rows; row++)
        highest[row] = highest_of(x + row * count, count);
    Py_END_ALLOW_THREADS
    return done(&buffers);
}

/* levels_together(gains, x, y, found, rows, count): y is the sum of the rows, each times its gain; found: the sum of its
 * squares, and its highest magnitude. */
static PyObject *levels_together(PyObject *module, PyObject *args)
{
    PyObject *gains_array, *x_array, *y_array, *found_array;
    Py_ssize_t rows, count;
    Buffers buffers = {.held = 0};
    const double *gains, *x;
    double *y, *found;
    (void)module;

    if (!PyArg_ParseTuple(args, "OOOOnn", &gains_array, &x_array, &y_array, &found_array, &rows, &count))
        return NULL;
    if (!(gains = READ(gains_array, rows)) || !(x = READ(x_array, rows * count)) || !(y = WRITE(y_array, count)) ||
        !(found = WRITE(found_array, 2)))
        return refused(&buffers);
    Py_BEGIN_ALLOW_THREADS
    add_up(gains, x, y, rows, count);
    found[0] = power_sum(y, count, 2);
    found[1] = highest_of(y, count);
    Py_END_ALLOW_THREADS
    return done(&buffers);
}

#define TAPS 16
#define NEAR 8 /* the peak of a frame lies between the samples NEAR and NEAR - 1 before it */
#define SUB_BLOCK 120

/* The greatest second difference of the values from x[-2] on. */
static double bend_of(const double *x, Py_ssize_t count)
{
    double bend[8] = {0.0};
    Py_ssize_t n = 0;
    for (; n + 8 <= count; n += 8)
        for (int m = 0; m < 8; m++) {
            const double curve = fabs((x[n + m] - x[n + m - 1]) - (x[n + m - 1] - x[n + m - 2]));
            bend[m] = curve > bend[m] ? curve : bend[m];
        }
    for (; n < count; n++) {
        const double curve = fabs((x[n] - x[n - 1]) - (x[n - 1] - x[n - 2]));
        bend[0] = curve > bend[0] ? curve : bend[0];
    }
    return highest_of(bend, 8);
}

/* Weights of the interpolation, as in true_peak.py: sums and differences of samples that mirror each other, and the
 * half way between two samples; and the bounds by which frames are passed over. */
typedef struct {
    double even[NEAR], odd[NEAR], half[NEAR], sum_of_magnitudes, bend_gain, rounding;
} Interpolation;

/* A quarter, a half and three quarters of the way from sample NEAR before x to the next. */
static inline void between(const Interpolation *i, const double *x, double *given)
{
    double even = 0.0, odd = 0.0, half = 0.0;
    for (int n = 0; n < NEAR; n++) {
        const double late = x[-n], early = x[n - TAPS + 1], sum = late + early;
        even += sum * i->even[n];
        odd += (late - early) * i->odd[n];
        half += sum * i->half[n];
    }
    given[0] = even + odd;
    given[1] = half;
    given[2] = even - odd;
}

/* The top of the parabola through three points, if the middle one is the highest; else the middle one. */
static inline double top(double one, double middle, double other)
{
    const double size = fabs(middle), slope = other - one, bend = fabs(one - 2.0 * middle + other);
    if (size >= fabs(one) && size >= fabs(other) && fabs(slope) <= bend && bend > 0.0)
        return size + slope * slope / (8.0 * bend);
    return size;
}

/* The peak around the frame of x. here: what lies between, of this frame; last: three quarters of the way before it. */
static double peak_at(const double *x, const double *here, double last)
{
    const double points[6] = {last, x[-NEAR], here[0], here[1], here[2], x[1 - NEAR]};
    double highest = 0.0;
    for (int n = 0; n < 4; n++) {
        const double size = top(points[n], points[n + 1], points[n + 2]);
        highest = size > highest ? size : highest;
    }
    return highest;
}

/* The peaks of some frames from x on that may be above the threshold; 0 for the others. */
static void peaks_of(const Interpolation *i, const double *x, double *peaks, Py_ssize_t frames, double threshold)
{
    double here[3] = {0.0};
    const double highest = highest_of(x - TAPS, frames + TAPS);
    Py_ssize_t known = -2; /* the frame that `here` belongs to */
    for (Py_ssize_t n = 0; n < frames; n++)
        peaks[n] = 0.0;
    if (!(i->sum_of_magnitudes * highest > threshold))
        return;
    const double bend = i->bend_gain * bend_of(x + 2 - TAPS, frames + TAPS - 2);
    if (!(i->rounding * highest + bend > threshold))
        return;
    for (Py_ssize_t n = 0; n < frames; n++) {
        const double one = fabs(x[n - NEAR]), other = fabs(x[n - NEAR + 1]);
        if (!(i->rounding * (one > other ? one : other) + bend > threshold))
            continue;
        if (known != n - 1)
            between(i, x + n - 1, here);
        const double last = here[2];
        between(i, x + n, here);
        known = n;
        peaks[n] = peak_at(x + n, here, last);
    }
}

/* true_peaks(x, thresholds, interpolation, peaks, rows, frames): the peak of each frame that may be above the threshold
 * of its row, and 0 for the others. x: (rows, TAPS + frames). */
static PyObject *true_peaks(PyObject *module, PyObject *args)
{
    PyObject *x_array, *thresholds_array, *interpolation_array, *peaks_array;
    Py_ssize_t rows, frames;
    Buffers buffers = {.held = 0};
    const double *x, *thresholds;
    const Interpolation *interpolation;
    double *peaks;
    (void)module;

    if (!PyArg_ParseTuple(args, "OOOOnn", &x_array, &thresholds_array, &interpolation_array, &peaks_array, &rows,
                          &frames))
        return NULL;
    if (!(x = READ(x_array, rows * (TAPS + frames))) || !(thresholds = READ(thresholds_array, rows)) ||
        !(interpolation = READ(interpolation_array, (Py_ssize_t)sizeof(Interpolation) / 8)) ||
        !(peaks = WRITE(peaks_array, rows * frames)))
        return refused(&buffers);
    Py_BEGIN_ALLOW_THREADS
    for (Py_ssize_t row = 0; row < rows; row++)
        for (Py_ssize_t first = 0; first < frames; first += SUB_BLOCK)
            peaks_of(interpolation, x + row * (TAPS + frames) + TAPS + first, peaks + row * frames + first,
                     frames - first < SUB_BLOCK ? frames - first : SUB_BLOCK, thresholds[row]);
    Py_END_ALLOW_THREADS
    return done(&buffers);
}

/* Raises `highest` to the highest peak of the sub-block from frame `first` on. */
static void raise_to_peaks(
    const Interpolation *i, const double *x, Py_ssize_t first, Py_ssize_t frames, double *highest)
{
    double peaks[SUB_BLOCK];
    const Py_ssize_t now = frames - first < SUB_BLOCK ? frames - first : SUB_BLOCK;
    peaks_of(i, x + first, peaks, now, *highest);
    for (Py_ssize_t n = 0; n < now; n++)
        *highest = peaks[n] > *highest ? peaks[n] : *highest;
}

/* highest_peaks(x, highest, interpolation, rows, frames): raises the highest peak of each row where x is above it. The
 * surroundings of the highest sample come first: after that, few other frames can be higher. */
static PyObject *highest_peaks(PyObject *module, PyObject *args)
{
    PyObject *x_array, *highest_array, *interpolation_array;
    Py_ssize_t rows, frames;
    Buffers buffers = {.held = 0};
    const double *x;
    const Interpolation *interpolation;
    double *highest;
    (void)module;

    if (!PyArg_ParseTuple(args, "OOOnn", &x_array, &highest_array, &interpolation_array, &rows, &frames))
        return NULL;
    if (!(x = READ(x_array, rows * (TAPS + frames))) || !(highest = WRITE(highest_array, rows)) ||
        !(interpolation = READ(interpolation_array, (Py_ssize_t)sizeof(Interpolation) / 8)))
        return refused(&buffers);
    Py_BEGIN_ALLOW_THREADS
    for (Py_ssize_t row = 0; row < rows; row++) {
        const double *from = x + row * (TAPS + frames);
        const double most = highest_of(from, TAPS + frames);
        if (!(interpolation->sum_of_magnitudes * most > highest[row]))
            continue;
        Py_ssize_t at = 0;
        while (at < frames && fabs(from[at + NEAR]) < most)
            at++;
        if (at < frames)
            raise_to_peaks(interpolation, from + TAPS, at / SUB_BLOCK * SUB_BLOCK, frames, highest + row);
        for (Py_ssize_t first = 0; first < frames; first += SUB_BLOCK)
            raise_to_peaks(interpolation, from + TAPS, first, frames, highest + row);
    }
    Py_END_ALLOW_THREADS
    return done(&buffers);
}

PyMethodDef levels[] = {
    {"power_sums", power_sums, METH_VARARGS, "Sums of squares or fourth powers."},
    {"weighted_sum", weighted_sum, METH_VARARGS, "Rows added up, each with its gain."},
    {"magnitudes", magnitudes, METH_VARARGS, "The highest magnitude of each row."},
    {"levels_together", levels_together, METH_VARARGS, "The levels of rows added up."},
    {"true_peaks", true_peaks, METH_VARARGS, "Peaks between the samples."},
    {"highest_peaks", highest_peaks, METH_VARARGS, "The highest peak between the samples of each row."},
    {NULL, NULL, 0, NULL},
};
