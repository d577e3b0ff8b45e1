"""Work in processes of its own, so that what crashes or hangs there costs no more than an answer.

A job is a function and what it is given; it is sent to a process that was started fresh on our own code
(`processes`), done there (`serving`), and its result or its error comes back (`one_process`). `pool` keeps
several such processes. All that work for us come from here: the notation engine, the readers of an index,
the helpers of a lesson, those of the desk. A task on a Dask cluster is no process of ours, its worker is
started by somebody else; the scores of such a task are read by a process of this room all the same.
"""
