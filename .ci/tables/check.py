"""Opens every Parquet file of a run in PyArrow, pandas, Polars and DuckDB: check.py RUN [RUN ...]

Fails where a column has no description or no unit key, where a type or a time zone differs between readers, or where one of them counts
other rows than another.
"""

import sys
from pathlib import Path

import duckdb
import pandas
import polars
import pyarrow as pa
import pyarrow.compute
import pyarrow.parquet as pq

problems = []


def fail(name, what):
    problems.append(f"{name}: {what}")


def metadata(name, schema):
    """Every column carries a description, and a unit where it has one: the key stands even when the unit is empty."""
    for field in schema:
        keys = field.metadata or {}
        if not keys.get(b"description", b"").strip():
            fail(name, f"column {field.name} has no description")
        if b"unit" not in keys:
            fail(name, f"column {field.name} has no key `unit`")
        unit = keys.get(b"unit", b"").decode()
        if pa.types.is_timestamp(field.type):
            if field.type.tz != "UTC" or unit != "UTC":
                fail(name, f"column {field.name}: {field.type}, unit {unit!r}; instants are UTC")
        if unit.startswith("millionths of") and not pa.types.is_int64(field.type):
            fail(name, f"column {field.name} is money and {field.type}")


def kind_of(arrow):
    """What a reader should make of a column."""
    if pa.types.is_timestamp(arrow):
        return "instant"
    if pa.types.is_date(arrow):
        return "day"
    if pa.types.is_boolean(arrow):
        return "flag"
    if pa.types.is_integer(arrow):
        return "whole"
    if pa.types.is_floating(arrow):
        return "number"
    if pa.types.is_string(arrow) or pa.types.is_large_string(arrow):
        return "text"
    if pa.types.is_binary(arrow) or pa.types.is_large_binary(arrow):
        return "bytes"
    return "list"


def kind_in_polars(kind):
    if isinstance(kind, polars.Datetime):
        return "instant" if kind.time_zone == "UTC" else "instant without zone"
    named = {polars.Date: "day", polars.Boolean: "flag", polars.String: "text", polars.Binary: "bytes"}
    if isinstance(kind, polars.List):
        return "list"
    return named.get(kind) or ("whole" if kind.is_integer() else "number" if kind.is_float() else str(kind))


def kind_in_duckdb(kind):
    kind = kind.upper()
    if kind.endswith("[]"):
        return "list"
    named = {
        "TIMESTAMP WITH TIME ZONE": "instant",
        "DATE": "day",
        "BOOLEAN": "flag",
        "VARCHAR": "text",
        "BLOB": "bytes",
        "BIGINT": "whole",
        "INTEGER": "whole",
        "DOUBLE": "number",
        "FLOAT": "number",
    }
    return named.get(kind, kind)


def look(path):
    name = str(path.name)
    table = pq.read_table(path)
    metadata(name, table.schema)
    wanted = {field.name: kind_of(field.type) for field in table.schema}

    frame = polars.read_parquet(path)
    found = {column: kind_in_polars(kind) for column, kind in frame.schema.items()}
    if found != wanted or frame.height != table.num_rows:
        fail(name, f"Polars: {set(found.items()) ^ set(wanted.items())}, {frame.height} rows")

    described = duckdb.sql(f"describe select * from read_parquet('{path}')").fetchall()
    found = {row[0]: kind_in_duckdb(row[1]) for row in described}
    rows = duckdb.sql(f"select count(*) from read_parquet('{path}')").fetchall()[0][0]
    if found != wanted or rows != table.num_rows:
        fail(name, f"DuckDB: {set(found.items()) ^ set(wanted.items())}, {rows} rows")

    frame = pandas.read_parquet(path)
    if len(frame) != table.num_rows or list(frame.columns) != list(wanted):
        fail(name, f"pandas: {len(frame)} rows, columns {list(frame.columns)}")
    for column, kind in wanted.items():
        if kind == "instant" and str(getattr(frame[column].dtype, "tz", None)) != "UTC":
            fail(name, f"pandas: column {column} is {frame[column].dtype}")

    # The same instants, to the millisecond, whatever the reader's own zone.
    for column, kind in wanted.items():
        if kind != "instant" or table.num_rows == 0:
            continue
        first = table.column(column).drop_null()
        if len(first) == 0:
            continue
        first = pa.compute.min(first).cast(pa.int64()).as_py()
        in_duckdb = duckdb.sql(f"select epoch_ms(min(\"{column}\")) from read_parquet('{path}')").fetchall()[0][0]
        in_polars = polars.read_parquet(path)[column].min().timestamp() * 1000
        if not first == in_duckdb == round(in_polars):
            fail(name, f"column {column} begins at {first}, {in_duckdb} in DuckDB, {in_polars} in Polars")
    return len(wanted)


def main(runs):
    files = [path for run in runs for path in sorted(Path(run).glob("*.parquet"))]
    columns = sum(look(path) for path in files)
    for problem in problems:
        print(f"PROBLEM {problem}")
    print(f"{len(files)} tables, {columns} columns opened in PyArrow, pandas, Polars and DuckDB, {len(problems)} problems")
    return 1 if problems or not files else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
