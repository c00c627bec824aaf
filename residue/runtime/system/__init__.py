"""Clock, files, folders, child processes and signals: what the operating system gives."""
