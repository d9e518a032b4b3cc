"""The command `nightclamp explain`."""

from __future__ import annotations

from pathlib import Path

from pipeline.commands.options import OUT, AsJson, OutputConsole, SettingsFile
from pipeline.core.settings import load_settings
from pipeline.core.terminal_text import printable


def explain(
    site: str,
    *,
    out: Path = OUT,
    model: Path | None = None,
    json: AsJson = False,
    settings: SettingsFile = None,
) -> None:
    """Tell one home's story and tonight's evidence in a page of text.

    Example: `nightclamp explain H00015 --out OUT`

    Parameters
    ----------
    site
        The site_id.
    out
        The OUT of `nightly`: a folder, or s3://bucket/prefix.
    model
        Folder of the model that `nightly` was given, if any.
    """
    from pipeline.commands.home_story import read_home
    from pipeline.commands.json_output import print_json
    from pipeline.commands.progress import terminal_progress

    with terminal_progress(OutputConsole(stderr=json)) as tell:
        tell(f"reading the night in {out}")
        story = read_home(site, out, load_settings(settings), model_folder=model)
    if json:
        print_json(story.document())
    else:
        print(printable(story.text()))
