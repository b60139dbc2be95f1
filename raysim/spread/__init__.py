"""The work of one run in units, computed in this process, in several, or on a cluster.

A unit is the rays of one source in one layout, or the bass of one layout. It needs nothing
of any other, and its bits depend on neither threads nor place, so that a run that is spread
gives what one process gives.
"""
