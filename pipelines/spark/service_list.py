"""The main job of drawoff on a Spark cluster: exports in, ranked service list out. See README.md beside this file.

    spark-submit --py-files drawoff_adapter.py service_list.py --drawoff PROGRAM --pipeline FILE --parts FOLDER [--set KEY=VALUE ...]

Spark brings the rows of each home together; `drawoff worker` reduces them to daybooks and then assesses every home, on all
executors; in between and at the end `drawoff learn` and `drawoff merge`, on the driver, do what needs the whole fleet.
"""

import argparse
import atexit
import hashlib
import json
import os
import pathlib
import shutil
import subprocess
import sys
import tempfile
import time
import tomllib

from pyspark.sql import SparkSession
from pyspark.sql import functions as f
from pyspark.sql import types as t

from drawoff_adapter import Shipped, stage

# A partition is to be worth the start of a process, and small enough to be done again: see README.md.
DEFAULT_PARTITIONS = 64
DEFAULT_DEADLINE_S = 3600
# What the executors of an application have already.
SHIPPED = set()


def arguments(given):
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--drawoff", required=True, help="the program, built for the executors' system")
    parser.add_argument("--pipeline", required=True, help="pipeline file; paths in it are relative to the current folder")
    parser.add_argument("--parts", required=True, help="folder for the daybooks, reachable by executors and driver; replaced")
    parser.add_argument("--set", action="append", default=[], metavar="KEY=VALUE", help="as for `drawoff run`")
    parser.add_argument("--partitions", type=int, default=DEFAULT_PARTITIONS)
    parser.add_argument("--deadline", type=float, default=DEFAULT_DEADLINE_S, help="seconds for one partition's worker")
    parser.add_argument("--assess", choices=["on-driver", "on-executors"], default="on-executors",
                        help="where homes are assessed once they are reduced; the results are the same")
    parser.add_argument("--quiet", action="store_true", help="no progress of drawoff on the driver")
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
    by_home = contract["sorted_by"][0]
    # Homes are told apart and put in order by their names, whole numbers too: drawoff takes 10 before 9.
    columns = [f.col(f"`{name}`").cast("string").alias(name) if name == by_home else f.col(f"`{name}`") for name in names]
    home, moment = (f.col(f"`{name}`") for name in contract["sorted_by"])
    place = [f.col("_metadata.file_path").alias("_file"), f.col("_metadata.row_index").alias("_row")]
    rows = frame.select(*columns, *place).repartition(partitions, home)
    return rows.sortWithinPartitions(home, moment, "_file", "_row").select(*columns)


def contract_of(options, what):
    """The columns of a stage, as the program tells them."""
    asked = [options.drawoff, "worker", what, options.pipeline, *overrides(options.set), "--contract"]
    return json.loads(subprocess.run(asked, check=True, stdout=subprocess.PIPE).stdout)


def schema_of(contract):
    return t.StructType([t.StructField(c["name"], spark_type(c["type"])) for c in contract["out"]])


def shipped(spark, path):
    """Brings a file to the executors, under a name that its content decides: two registers may have one name."""
    content = pathlib.Path(path).read_bytes()
    name = f"{hashlib.sha256(content).hexdigest()[:12]}-{os.path.basename(path)}"
    known = (spark.sparkContext.applicationId, name)
    if known not in SHIPPED:
        copy = pathlib.Path(tempfile.mkdtemp(prefix="drawoff-")) / name
        shutil.copy(path, copy)
        atexit.register(shutil.rmtree, copy.parent, ignore_errors=True)
        spark.sparkContext.addFile(str(copy))
        SHIPPED.add(known)
    return name


def command(spark, options, what):
    """How an executor starts the worker of a stage: on one thread, as a task has one core."""
    found = inputs(options)
    program, pipeline, mapping, register = (
        shipped(spark, path)
        for path in (options.program or options.drawoff, options.pipeline, found["mapping"], found["register"])
    )
    settings = overrides(item for item in options.set if not item.startswith("inputs."))
    words = [Shipped("", program), "--threads", "1", "worker", what, Shipped("", pipeline), *settings]
    return words + overrides([Shipped("inputs.mapping=", mapping), Shipped("inputs.register=", register)])


def reduce(spark, options):
    """Writes the daybook of every home into the folder of parts; gives rows read and homes written."""
    found = inputs(options)
    contract = contract_of(options, "reduce")
    rows = sorted_rows(spark, found["readings"], contract, options.partitions)
    homes = rows.mapInArrow(stage(command(spark, options, "reduce"), options.deadline), schema_of(contract))
    homes.write.mode("overwrite").parquet(parts(options, "reduced"))
    written = spark.read.parquet(parts(options, "reduced")).agg(f.sum("rows_in"), f.count("home")).first()
    return int(written[0] or 0), int(written[1])


def assess(spark, options):
    """Writes what is known of every home, and its findings, into the folder of parts; gives the homes written."""
    reduced, learnt, assessed = (parts(options, what) for what in ("reduced", "learnt", "assessed"))
    own = overrides(options.set)
    learn = [options.drawoff, "learn", options.pipeline, *own, "--parts", reduced, "--out", learnt]
    subprocess.run(learn, check=True, stderr=subprocess.DEVNULL if options.quiet else None)
    words = [*command(spark, options, "assess"), "--learnt", learnt]
    # Homes stay in the partitions that they were written from: nothing is shuffled.
    homes = spark.read.parquet(reduced).sortWithinPartitions("home")
    done = homes.mapInArrow(stage(words, options.deadline), schema_of(contract_of(options, "assess")))
    done.write.mode("overwrite").parquet(assessed)
    return spark.read.parquet(assessed).count()


def merge(options):
    """The service list, from all parts; ends as drawoff ends."""
    return subprocess.run(merging(options), check=False).returncode


def merging(options):
    words = [options.drawoff, "merge", options.pipeline, *overrides(options.set), "--parts", parts(options, "reduced")]
    if options.assess == "on-executors":
        words += ["--assessed", parts(options, "assessed"), "--learnt", parts(options, "learnt")]
    return words


def parts(options, what):
    return os.path.join(os.path.abspath(options.parts), what)


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
    if options.assess == "on-executors":
        started = time.monotonic()
        print(f"assessed {assess(spark, options):,} homes in {time.monotonic() - started:.1f} s", file=sys.stderr)
    spark.stop()
    return merge(options)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
