"""Daily means of each home by other libraries, on the files that `whole_run` reads: what a simpler job costs there.

    python benches/peers.py FLEET [THREADS]

Needs polars, duckdb, pandas and pyarrow. Each figure is the least of three runs in this process.
"""

import glob
import os
import sys
import time

fleet, threads = sys.argv[1], int(sys.argv[2]) if len(sys.argv) > 2 else os.cpu_count()
os.environ["POLARS_MAX_THREADS"] = str(threads)

import duckdb  # noqa: E402
import pandas  # noqa: E402
import polars  # noqa: E402

pattern = os.path.join(fleet, "readings", "*.parquet")
columns = [c for c in polars.read_parquet_schema(sorted(glob.glob(pattern))[0]) if c not in ("home", "time")]


def with_polars():
    lazy = polars.scan_parquet(pattern)
    means = [polars.col(c).cast(polars.Float64).mean() for c in columns]
    return lazy.group_by("home", polars.col("time").dt.date()).agg(means).collect(engine="streaming").height


def with_duckdb():
    connection = duckdb.connect()
    connection.execute(f"SET threads={threads}; SET TimeZone='UTC'")
    means = ", ".join(f"avg({c}::DOUBLE)" for c in columns)
    return len(connection.execute(f"SELECT home, time::DATE, {means} FROM '{pattern}' GROUP BY ALL").fetchall())


def with_pandas():
    """Day means, lowest and highest of each probe: the simplest columns of the daybook."""
    rows = 0
    for path in sorted(glob.glob(pattern)):
        frame = pandas.read_parquet(path)
        frame["day"] = frame["time"].dt.floor("D")
        probes = [c for c in frame.columns if c.startswith("probe_")]
        rows += len(frame.groupby(["home", "day"])[probes].agg(["mean", "min", "max"]))
    return rows


for name, work in [("polars", with_polars), ("duckdb", with_duckdb), ("pandas, probes only", with_pandas)]:
    times = []
    for _ in range(3):
        started = time.perf_counter()
        rows = work()
        times.append(time.perf_counter() - started)
    print(f"{name:40} {min(times):9.3f} s   {rows} rows")
