"""The main job of drawoff on a Spark cluster: exports in, ranked service list out. See README.md beside this file.

    spark-submit --py-files drawoff_adapter.py service_list.py --drawoff PROGRAM --pipeline FILE --parts FOLDER [--set KEY=VALUE ...]

Spark brings the rows of each home together; `drawoff worker` reduces them, on all executors; `drawoff merge`, on the driver, does
what needs the whole fleet, from the daybooks.
"""

import argparse
import json
import os
import subprocess
import sys
import time
import tomllib

from pyspark.sql import SparkSession
from pyspark.sql import functions as f
from pyspark.sql import types as t

from drawoff_adapter import Shipped, stage

# A partition is to be worth the start of a process, and small enough to be done again: see README.md.
DEFAULT_PARTITIONS = 64
DEFAULT_DEADLINE_S = 3600


def arguments(given):
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--drawoff", required=True, help="the program, built for the executors' system")
    parser.add_argument("--pipeline", required=True, help="pipeline file; paths in it are relative to the current folder")
    parser.add_argument("--parts", required=True, help="folder for the daybooks, reachable by executors and driver; replaced")
    parser.add_argument("--set", action="append", default=[], metavar="KEY=VALUE", help="as for `drawoff run`")
    parser.add_argument("--partitions", type=int, default=DEFAULT_PARTITIONS)
    parser.add_argument("--deadline", type=float, default=DEFAULT_DEADLINE_S, help="seconds for one partition's worker")
    parser.add_argument("--program", help=argparse.SUPPRESS)  # Another worker program: for tests of what goes wrong.
    return parser.parse_args(given)


def inputs(options):
    """The pipeline's inputs, with overrides."""
    with open(options.pipeline, "rb") as file:
        found = tomllib.load(file)["inputs"]
    for key, value in (item.split("=", 1) for item in options.set):
        if key.startswith("inputs."):
            found[key.removeprefix("inputs.")] = value
    return found


def overrides(items):
    return [word for item in items for word in ("--set", item)]


def spark_type(arrow):
    """Spark's type for a column of the contract."""
    plain = {"Utf8": t.StringType(), "Int64": t.LongType(), "Binary": t.BinaryType()}
    return t.ArrayType(t.LongType()) if arrow.startswith("List") else plain[arrow]


def sorted_rows(spark, readings, contract, partitions):
    """The needed columns, all rows of a home in one partition and in time order; of copies the last in file order comes last."""
    frame = spark.read.option("mergeSchema", "true").parquet(readings)
    names = [column["name"] for column in contract["in"] if column["name"] in frame.columns]
    missing = [c["name"] for c in contract["in"] if not c["optional"] and c["name"] not in names]
    if missing:
        raise SystemExit(f"error: {readings} has no columns {', '.join(missing)}")
    columns = [f.col(f"`{name}`") for name in names]
    home, moment = (f.col(f"`{name}`") for name in contract["sorted_by"])
    place = [f.col("_metadata.file_path").alias("_file"), f.col("_metadata.row_index").alias("_row")]
    rows = frame.select(*columns, *place).repartition(partitions, home)
    return rows.sortWithinPartitions(home, moment, "_file", "_row").select(*columns)


def reduce(spark, options):
    """Writes the daybook of every home into the folder of parts; gives rows read and homes written."""
    found = inputs(options)
    program = options.program or options.drawoff
    shipped = [program, options.pipeline, found["mapping"], found["register"]]
    for path in shipped:
        spark.sparkContext.addFile(os.path.abspath(path))
    program, pipeline, mapping, register = (os.path.basename(path) for path in shipped)
    settings = overrides(item for item in options.set if not item.startswith("inputs."))

    command = [Shipped("", program), "worker", "reduce", Shipped("", pipeline), *settings]
    command += overrides([Shipped("inputs.mapping=", mapping), Shipped("inputs.register=", register)])

    asked = [options.drawoff, "worker", "reduce", options.pipeline, *overrides(options.set), "--contract"]
    contract = json.loads(subprocess.run(asked, check=True, stdout=subprocess.PIPE).stdout)
    schema = t.StructType([t.StructField(c["name"], spark_type(c["type"])) for c in contract["out"]])
    rows = sorted_rows(spark, found["readings"], contract, options.partitions)
    homes = rows.mapInArrow(stage(command, options.deadline), schema)
    homes.write.mode("overwrite").parquet(options.parts)
    written = spark.read.parquet(options.parts).agg(f.sum("rows_in"), f.count("home")).first()
    return int(written[0] or 0), int(written[1])


def merge(options):
    """The service list, from all parts; ends as drawoff ends."""
    command = [options.drawoff, "merge", options.pipeline, *overrides(options.set), "--parts", options.parts]
    return subprocess.run(command, check=False).returncode


def session(**settings):
    builder = SparkSession.builder.appName("drawoff service list")
    # Stamps are instants; a session's own zone must not decide what they mean.
    builder = builder.config("spark.sql.session.timeZone", "UTC")
    for key, value in settings.items():
        builder = builder.config(key, value)
    return builder.getOrCreate()


def main(given):
    options = arguments(given)
    spark = session()
    started = time.monotonic()
    rows, homes = reduce(spark, options)
    print(f"reduced {rows:,} rows of {homes:,} homes in {time.monotonic() - started:.1f} s", file=sys.stderr)
    spark.stop()
    return merge(options)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
