/* What the files of the kernel share. Each function takes arrays that Python has allocated, checks that they are long
 * enough, and computes without the interpreter's lock. All is compiled without contraction (no fused multiply-add), and
 * each sum is made in one fixed order, that of numpy or scipy: so the bits are theirs, on every processor.
 */
#define PY_SSIZE_T_CLEAN
#define Py_LIMITED_API 0x030B0000
#include <Python.h>
#include <stdint.h>

#define MOST_BUFFERS 6

/* Also for processors with registers for four numbers: the operations stay the same, as nothing is contracted. */
#if defined(__x86_64__) && defined(__GLIBC__) && defined(__GNUC__) && !defined(__clang__)
#define WIDE __attribute__((target_clones("avx2", "default")))
#else
#define WIDE
#endif

/* Two numbers in a register; each lane gives the bits of a number alone. */
typedef double Pair __attribute__((vector_size(16)));

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

extern PyMethodDef filters[], curves[], levels[], windows[];
