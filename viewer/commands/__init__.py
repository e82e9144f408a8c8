"""The commands, one module a part of the job. Each function is thin: load, compute, write, say."""
