"""From a notebook and a trial to one HTML page, written whole; again when the records change.

`run` runs a notebook, `page` lays it out, `publish` does the whole job, `watch` repeats it.
"""
