"""Where a lake's files and OUT lie, in a folder or an object store, and how a night is published whole or not at all.

In: the paths or addresses that a user gave, a finished run's folder. Out: files of a lake (`lake_source.py`), OUT as
a local folder to work in (`output_location.py`), `latest` turned in one step (`publish.py`). Open `publish.py` first,
then `output_location.py`; everything named bucket_ is the object store.

>>> from pathlib import Path
>>> from pipeline.storage.layout import own_model_folder
>>> own_model_folder(Path("out")).as_posix()
'out/model'
"""
