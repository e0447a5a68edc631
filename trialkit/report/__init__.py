"""What a notebook's cells show: the answer, its pictures and tables, and how it was worked out.

`cells`, `season`, `planning` and `planpower` are what notebooks call.  Nothing is imported
here, so that a command which needs one part does not pay for the others.
"""
