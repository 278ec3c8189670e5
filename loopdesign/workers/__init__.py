"""Who does the work when one processor is not enough: executors that share calls out in pieces of about a second.

`pieces`     how many calls go out together
`processes`  processes on this machine
`partners`   processes forked from this one, which share single calls with it; `partner` is their side of it
`branch`     a result that a child forked on the spot makes meanwhile
`rehearsal`  a process that makes one call, for practice before it is made for good
`processors` how many there are
`undisturbed` no interruption while a process is made; how one ends
`memory`     what a worker keeps of the memory it frees
`cluster`    an existing dask.distributed cluster; imports it where one is asked for, and nowhere else

Those that share calls out are each a `concurrent.futures.Executor` whose ``map`` sends the function, and all that it
carries, to every worker once, and the calls in pieces. What a call returns does not depend on who makes it or in which
piece it went out.
"""
