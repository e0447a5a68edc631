"""From a trial folder to one HTML page: run a notebook, lay out what its cells made.

`cells` is what a notebook calls, `run` runs one, `page` lays it out, `publish` does the whole job.
Nothing is imported here, so that a command which needs one part does not pay for the others.
"""
