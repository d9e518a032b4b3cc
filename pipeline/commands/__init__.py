"""The command line `nightclamp`.

In: the words a user typed. Out: calls of the packages below, lines on the terminal or one JSON document, an exit
status (`cli.py` lists them). One file a command, which loads what it runs when it is called; `app.py` is their table,
`stopping.py` what Ctrl-C does, `progress.py` what is shown meanwhile. Open `app.py` first.

>>> from pipeline.commands.app import app
>>> "nightly" in list(app)
True
"""
