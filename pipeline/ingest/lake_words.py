"""What lake.toml says, in words: one line a column that it fills."""

from __future__ import annotations

from pipeline.core import contract
from pipeline.ingest.column_source import Source
from pipeline.ingest.lake_config import REGISTERS, Intervals, LakeConfig
from pipeline.ingest.row_config import ENERGY_UNITS, describe_utility


def describe(mapping: LakeConfig) -> list[str]:
    """Return one line for each contract column that lake.toml fills, saying from what and how."""
    how = mapping.intervals
    lines = [_describe_source(name, source, how) for name, source in how.columns.items()]
    if how.long is not None:
        skipped = f"; ignored: {', '.join(how.long.ignore)}" if how.long.ignore else ""
        long = f"one row a channel, named in '{how.long.channel}', value in '{how.long.value}'"
        lines.append(f"intervals: {long}{skipped}")
    if "interval_start" not in how.columns and (how.zone, how.labelled, how.year) != ("UTC", "start", None):
        lines.append(_describe_source("interval_start", Source.model_validate("interval_start"), how))
    if how.skip_rows:
        lines.append(f"intervals: the first {how.skip_rows} lines of a text are passed over")
    if how.files == "any day":
        lines.append("intervals: files with rows of any day; a row belongs where its time says")
    if how.partitions == "local day":
        zone = how.partition_days.zone
        of_zone = (
            f"of {zone}" if zone else "of each home's zone; partition_zone names one zone and saves reading"
        )
        lines.append(f"intervals: partitions are local days {of_zone}; a row belongs where its time says")
    for table in REGISTERS:
        for name, origin in getattr(mapping, table).items():
            origin_text = (
                f"always '{origin.always}'" if origin.always is not None else f"from '{origin.source}'"
            )
            lines.append(f"{table}.{name}: {origin_text}")
    return lines + describe_utility(mapping.utility)


def _describe_source(name: str, source: Source, how: Intervals) -> str:
    if name == "interval_start":
        return _describe_stamp(source, how)
    start = f"intervals.{name}: "
    if source.none:
        return start + "nothing; the lake has none"
    if source.file_name is not None:
        return start + f"from the file's name, {source.file_name}"
    text = f"always {source.always}" if source.always is not None else f"from '{source.source}'"
    if source.unit is not None:
        length = f" of {how.minutes} min" if source.plain_unit in ENERGY_UNITS else ""
        text += f" in {source.unit}{length}"
    if source.is_rated:
        text += ", times pv_kw of the home"
    if source.unit == "A":
        text += f" x volts {source.volts} x power factor {source.power_factor}"
    if source.factor != 1:
        text += f", times {source.factor:g}"
    if source.offset:
        unit = contract.meta(contract.Interval.columns()[name])["unit"]
        text += f", {'plus' if source.offset > 0 else 'minus'} {abs(source.offset):g} {unit}"
    return start + text + (", sign turned" if source.sign < 0 else "")


def _describe_stamp(source: Source, how: Intervals) -> str:
    if source.parts:
        said = how.stamp_parts.items()
        parts = (f"{name} {part}" if isinstance(part, int) else f"{name} '{part}'" for name, part in said)
        text = f"from {', '.join(parts)}"
    else:
        text = f"from '{source.source}'" + (f" in {how.year}" if how.year is not None else "")
    end = f", the interval's end, {how.minutes} min after its start" if how.labelled == "end" else ""
    return f"intervals.interval_start: {text}, time of {how.zone}{end}"
