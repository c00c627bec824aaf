/* What the files of the kernel share. Each function takes arrays that Python has allocated, checks that they are long
 * enough, and computes without the interpreter's lock. All is compiled without contraction (no fused multiply-add), and
 * each sum is made in one fixed order, that of numpy or scipy: so the bits are theirs, on every processor.
 */
#define PY_SSIZE_T_CLEAN
#define Py_LIMITED_API 0x030B0000
#include <Python.h>
#include <stdint.h>

#define MOST_BUFFERS 9

/* Also for processors with registers for four numbers: the operations stay the same, as nothing is contracted. */
#if defined(__x86_64__) && defined(__GLIBC__) && defined(__GNUC__) && !defined(__clang__)
#define WIDE __attribute__((target_clones("avx2", "default")))
#else
#define WIDE
#endif

/* Numbers in a register, or in two where it holds only two; each lane gives the bits of a number alone. */
typedef double Pair __attribute__((vector_size(16)));
typedef double Quad __attribute__((vector_size(32)));

/* Arrays of float64 or int64 in C order. */
typedef struct {
    Py_buffer views[MOST_BUFFERS];
    int held;
} Buffers;

void release(Buffers *buffers);

/* The values of an array that holds at least so many; NULL, with an error set, if it does not fit. */
void *take(Buffers *buffers, PyObject *array, Py_ssize_t values, int writable);

#define READ(array, values) take(&buffers, array, values, 0)
#define WRITE(array, values) take(&buffers, array, values, 1)

/* The end of each function: Python's error, or None. */
PyObject *refused(Buffers *buffers);
PyObject *done(Buffers *buffers);

#define INLINE static inline __attribute__((always_inline))
#define CHUNK 64 /* values that stay near the processor between two steps */
#define SINE_TERMS 8

/* The nearest double: its two halves are exact, and their sum is rounded once. A processor converts few integers of this
 * size at once, but it adds many doubles. */
INLINE double double_of(int64_t value)
{
    union {
        uint64_t bits;
        double value;
    } high = {((uint64_t)value >> 32) ^ 0x4530000080000000u}, low = {((uint64_t)value & 0xffffffffu) | 0x4330000000000000u};
    return (high.value - 0x1.00000801p84) + low.value;
}

/* exact.sine of one phase. */
INLINE double sine_of(int64_t phase, const double *c)
{
    const double quarter = double_of(phase) * 0x1p-62, below = -2.0 - quarter, above = 2.0 - quarter; /* quarter turns */
    const double raised = quarter > below ? quarter : below, bent = raised < above ? raised : above;
    const double square = bent * bent;
    double total = square * c[SINE_TERMS - 1] + c[SINE_TERMS - 2];
    for (int m = SINE_TERMS - 3; m >= 0; m--)
        total = total * square + c[m];
    return bent * total;
}

/* What the function sosfilt of the module does; own_filters, own_inputs: whether each channel has one. */
void filter_channels(
    const double *sos, const double *x, double *y, double *state, double guard, Py_ssize_t sections,
    Py_ssize_t channels, Py_ssize_t frames, int own_filters, int own_inputs);

extern PyMethodDef filters[], curves[], levels[], windows[], memories[];
