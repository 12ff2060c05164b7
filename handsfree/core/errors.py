"""The one exception a person is meant to read."""


class UserError(Exception):
    """Something the person at the keyboard can mend: one line saying what is wrong, where, and how to mend it.

    The command line prints `str(error)` on stderr and exits with code 2, without a traceback.
    """
