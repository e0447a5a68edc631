"""The command line, a file a group of commands: each reads its arguments, calls one function of
the package, and prints.

Nothing heavy is imported here or at the top of a group, so that `--help` answers at once.
"""
