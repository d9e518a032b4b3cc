"""A stamp whose month, day and hour stand in columns of their own, as one text that a time is read from."""

from __future__ import annotations

import polars as pl

from pipeline.ingest.plain_texts import number_as_text, plain

_HOURS = 24


def stamp_texts(frame: pl.DataFrame, parts: dict[str, str | int]) -> pl.Series:
    """Return each row's stamp as a text like 2025-06-01 00:15:00, local as its parts are; null where all are empty.

    Hour 24 is the midnight after. A row whose parts make no time has them as they are, which reads as no time.

    Parameters
    ----------
    frame
        The source's rows, with the columns that `parts` name.
    parts
        Column or number of year, month, day and perhaps hour and minute.
    """
    texts = {
        name: plain(pl.lit(number_as_text(frame[part]))) if isinstance(part, str) else pl.lit(str(part))
        for name, part in ({"hour": 0, "minute": 0} | parts).items()
    }
    number = {name: text.cast(pl.Int64, strict=False) for name, text in texts.items()}
    date = pl.format(
        "{}-{}-{}", number["year"], *(number[name].cast(pl.String).str.zfill(2) for name in ("month", "day"))
    ).str.to_date("%Y-%m-%d", strict=False)
    is_midnight = (number["hour"] == _HOURS) & (number["minute"] == 0)
    is_time = number["hour"].is_between(0, _HOURS - 1) & number["minute"].is_between(0, 59) | is_midnight
    moment = date.cast(pl.Datetime("us")) + pl.duration(hours=number["hour"], minutes=number["minute"])
    shown = {name: text.fill_null("") for name, text in texts.items()}
    as_it_is = pl.format(
        "{}-{}-{} {}:{}", *(shown[name] for name in ("year", "month", "day", "hour", "minute"))
    )
    columns = [text for name, text in texts.items() if isinstance(parts.get(name), str)]
    is_empty = pl.all_horizontal((text.is_null() | (text == "")) for text in columns)
    stamp = pl.when(is_time).then(moment.dt.to_string("%Y-%m-%d %H:%M:%S"))
    text = pl.when(~is_empty).then(pl.coalesce(stamp, as_it_is))
    return frame.select(text.alias("stamp")).to_series()
