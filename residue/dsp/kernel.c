/* The module residue.dsp._kernel: the loops for which numpy has no exact or no quick operation. See kernel.py. */
#include "kernel.h"
#ifdef __GLIBC__
#include <malloc.h>
#endif

#define EDITION 7 /* raised here and in kernel.py with every change of what a function takes or gives */

void release(Buffers *buffers)
{
    while (buffers->held > 0)
        PyBuffer_Release(&buffers->views[--buffers->held]);
}

void *take(Buffers *buffers, PyObject *array, Py_ssize_t values, int writable)
{
    Py_buffer *view = &buffers->views[buffers->held];
    if (PyObject_GetBuffer(array, view, PyBUF_C_CONTIGUOUS | (writable ? PyBUF_WRITABLE : 0)) < 0)
        return NULL;
    buffers->held++;
    if (view->itemsize != 8 || values < 0 || view->len / 8 < values) {
        PyErr_SetString(PyExc_ValueError, "an array is too short, or its values do not have 64 bits");
        return NULL;
    }
    return view->buf;
}

PyObject *refused(Buffers *buffers)
{
    release(buffers);
    return NULL;
}

PyObject *done(Buffers *buffers)
{
    release(buffers);
    Py_RETURN_NONE;
}

/* keep_memory(largest, all): freed blocks of memory up to a size, and so much of it in all, stay with the process. Only
 * of glibc; other libraries have rules of their own. */
static PyObject *keep_memory(PyObject *module, PyObject *args)
{
    int largest, all;
    (void)module;

    if (!PyArg_ParseTuple(args, "ii", &largest, &all))
        return NULL;
#ifdef __GLIBC__
    mallopt(M_MMAP_THRESHOLD, largest);
    mallopt(M_TRIM_THRESHOLD, all);
#endif
    Py_RETURN_NONE;
}

static PyMethodDef memory[] = {
    {"keep_memory", keep_memory, METH_VARARGS, "Keeps freed memory."},
    {NULL, NULL, 0, NULL},
};

static int added(PyObject *module, PyMethodDef *methods)
{
    return PyModule_AddFunctions(module, methods);
}

static int fill(PyObject *module)
{
    if (added(module, filters) < 0 || added(module, curves) < 0 || added(module, levels) < 0)
        return -1;
    if (added(module, windows) < 0 || added(module, memories) < 0 || added(module, memory) < 0)
        return -1;
    return PyModule_AddIntConstant(module, "EDITION", EDITION);
}

static PyModuleDef_Slot slots[] = {{Py_mod_exec, fill}, {0, NULL}};

static struct PyModuleDef definition = {
    PyModuleDef_HEAD_INIT, .m_name = "_kernel", .m_doc = "Inner loops of residue.dsp.kernel.", .m_size = 0,
    .m_slots = slots,
};

PyMODINIT_FUNC PyInit__kernel(void)
{
    return PyModuleDef_Init(&definition);
}
