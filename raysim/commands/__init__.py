"""The commands of ``raysim``, one file each: `add` says its words, `run_...` does it."""
