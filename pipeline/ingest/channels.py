"""One row a channel becomes one row a time, with the channels side by side."""

from __future__ import annotations

import polars as pl

from pipeline.core import contract
from pipeline.ingest.column_names import missing
from pipeline.ingest.column_source import Source
from pipeline.ingest.csv_reader import BAD, REASON, ROW, TEXT, UnusableFileError
from pipeline.ingest.lake_config import Long
from pipeline.ingest.plain_texts import plain


def widen(own: pl.DataFrame, long: Long, sources: dict[str, Source]) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Put the channels of one home and time on one row; one sent twice makes a second row.

    Raises
    ------
    UnusableFileError
        A column is missing.
    """
    channel, value = long.channel, long.value
    keys = [sources["site_id"].source, sources["interval_start"].source]
    for name in (channel, value, *keys):
        if name not in own.columns:
            raise UnusableFileError(missing(name, name, own.columns))
    own = own.with_columns(plain(pl.col(channel).cast(pl.String)))
    measures = [source for name, source in sources.items() if name in contract.READINGS]
    wanted = [source.source for source in measures if source.source]
    wanted += [part for one in measures for part in (one.volts, one.power_factor) if isinstance(part, str)]
    wanted = list(dict.fromkeys(wanted))
    is_known = pl.col(channel).is_in(wanted)
    unknown = own.filter(~is_known.fill_null(False) & ~pl.col(channel).is_in(long.ignore).fill_null(False))
    told = pl.format(f"{channel}: '{{}}' is not named in lake.toml", pl.col(channel).fill_null(""))
    bad = unknown.select(
        pl.col(ROW), told.alias(REASON), pl.struct(pl.exclude(ROW)).struct.json_encode().alias(TEXT)
    )
    copy = pl.int_range(pl.len()).reverse().over([*keys, channel]).alias("_copy")
    present = [name for name in wanted if name in own[channel].unique().to_list()]
    wide = (
        own.filter(is_known)
        .with_columns(copy)
        .group_by([*keys, "_copy"], maintain_order=True)
        .agg(
            *(pl.col(value).filter(pl.col(channel) == name).first().alias(name) for name in present),
            pl.col(ROW).min(),
        )
        .sort("_copy", descending=True, maintain_order=True)
        .drop("_copy")
    )
    return wide, bad.cast(BAD)
