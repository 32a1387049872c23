"""Numbers in, numbers out: the signal processing of the watch.

Nothing in this package opens a file, reads a clock, starts a thread, logs, or keeps global state.
Randomness comes only from a generator the caller hands in.
"""
