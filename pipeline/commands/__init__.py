"""The command line `nightclamp`.

In: the words a user typed. Out: calls of the packages below, lines on the terminal, an exit status (0 done, 1 failed,
2 wrong use or input, 3 an alarm). One file a command, loaded when it is asked for; `console.py` is how they print,
`explain.py` tells one home's story. Open `cli.py` first.

>>> from pipeline.commands.cli import app
>>> "nightly" in list(app)
True
"""
