"""A club's pages: many trials in one static folder, renewed as they change.

`site` does the whole job.
"""
