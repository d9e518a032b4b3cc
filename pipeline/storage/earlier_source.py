"""A lake's files as they lay at an earlier time: those that had arrived by then, and no others."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from pipeline.storage.lake_source import LakeFile, LakeSource, Partition
from pipeline.storage.object_url import ObjectUrl


@dataclass(frozen=True)
class EarlierSource:
    """What `source` held when the clock stood at `at_ns` [ns since 1970]; a file replaced since wasn't there."""

    source: LakeSource
    at_ns: int

    @property
    def root(self) -> Path | ObjectUrl:
        """The lake's folder or address."""
        return self.source.root

    def has_intervals(self) -> bool:
        """Tell whether there is anything called intervals/."""
        return self.source.has_intervals()

    def partitions(self) -> list[Partition]:
        """Return what lies in intervals/ now, by name."""
        return self.source.partitions()

    def files(self, partition: str) -> list[LakeFile]:
        """Return the files of a partition that had arrived."""
        return [file for file in self.source.files(partition) if file.mtime_ns <= self.at_ns]

    def utility(self) -> tuple[list[LakeFile], list[str]]:
        """Return the files in utility/ as they are now."""
        return self.source.utility()

    def beside(self, name: str) -> Path | None:
        """Return a local file to read a register from, as it is now."""
        return self.source.beside(name)

    def named(self, text: str) -> str:
        """Return the text with copies as people call them."""
        return self.source.named(text)

    def bring(self, file: LakeFile, workdir: Path, number: int) -> LakeFile:
        """Return the file with a `path` that can be read here."""
        return self.source.bring(file, workdir, number)

    def drop(self, file: LakeFile) -> None:
        """Remove the copy that `bring` made, if it made one."""
        self.source.drop(file)
