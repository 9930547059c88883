"""The status page: a process of its own that only ever reads."""
