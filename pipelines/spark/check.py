"""Holds the job on Spark against direct runs, to the byte, and breaks it on purpose. Started by .ci/spark.

    check.py --drawoff PROGRAM --scratch FOLDER [--shared FOLDER] [--measure]

Executors are real processes (`local-cluster`). Everything listens on the loopback only.
"""

import argparse
import os
import pathlib
import signal
import subprocess
import sys
import threading
import time

os.environ.setdefault("SPARK_LOCAL_IP", "127.0.0.1")
os.environ.setdefault("PYSPARK_PYTHON", sys.executable)

import pyarrow
from pyarrow import parquet
from pyspark.sql import functions as f

import service_list

HERE = pathlib.Path(__file__).resolve().parent
REPOSITORY = HERE.parent.parent
MASTER = "local-cluster[2,1,1024]"
# About a million rows: 120 homes x 29 days x 288.
SYNTH = ["--homes", "120", "--days", "29", "--seed", "91"]
# Two tasks for each executor; more would learn from these small fleets as often.
PARTITIONS = 4
# Rows of a stream have no file, and come sorted: the table of files, the count of rows out of order and their hashes in the manifest
# are a run's own, and nothing else.
OWN = {"files.parquet", "manifest.json", "quality.parquet"}
OWN_COLUMN = "rows_out_of_order"
# How long to wait for a worker to begin, seconds.
PATIENCE_S = 120


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--drawoff", required=True)
    parser.add_argument("--scratch", required=True, type=pathlib.Path)
    parser.add_argument("--shared", type=pathlib.Path)
    parser.add_argument("--measure", action="store_true", help="also tell where the time goes")
    options = parser.parse_args()
    os.chdir(REPOSITORY)
    options.drawoff = os.path.abspath(options.drawoff)
    fleets = made_fleets(options)
    spark = service_list.session(**{"spark.master": MASTER, "spark.ui.enabled": "false"})
    spark.sparkContext.setLogLevel("OFF")  # What is broken on purpose would fill the terminal.
    spark.sparkContext.addPyFile(str(HERE / "drawoff_adapter.py"))
    synth = fleets[-1]
    for fleet in fleets:
        same_as_direct(spark, options, *fleet)
    with_an_executor_killed(spark, options, *synth)
    planned_failures(spark, options, *fleets[1])
    if options.measure:
        measure(spark, options, *synth)
    spark.stop()


def made_fleets(options):
    """Name, pipeline and overrides of each fleet."""
    fleets = [("sample", "pipelines/service-list.toml", [])]
    reference = options.shared / "reference-fleet" if options.shared else None
    if reference and reference.exists():
        wide, tall = reference / "wide", reference / "tall"
        fleets.append(("wide", "pipelines/reference-wide.toml",
                       [f"inputs.readings={wide}/readings", f"inputs.register={wide}/assets.csv"]))
        fleets.append(("tall", "pipelines/reference-tall.toml",
                       [f"inputs.readings={tall}/points", f"inputs.register={tall}/register.csv"]))
    else:
        print("passed over: the reference fleets are absent")
    synth = options.scratch / "synth"
    subprocess.run([options.drawoff, "synth", synth, *SYNTH], check=True, stdout=subprocess.DEVNULL)
    own = [f"inputs.readings={synth}/readings", f"inputs.register={synth}/register.csv", "inputs.visits="]
    fleets.append(("synth", "pipelines/service-list.toml", own))
    return [numbered(options), *fleets]


def numbered(options):
    """The sample fleet with whole numbers for homes: their order as numbers is not that of their names."""
    folder = options.scratch / "numbered"
    (folder / "readings").mkdir(parents=True)
    sample = REPOSITORY / "sample-fleet"
    lines = (sample / "register.csv").read_text().splitlines()
    homes = [line.split(",")[0] for line in lines[1:]]
    number = {home: str(8 + place) for place, home in enumerate(homes)}
    assert sorted(number.values()) != sorted(number.values(), key=int)
    register = [",".join([number[home], *line.split(",")[1:]]) for home, line in zip(homes, lines[1:])]
    (folder / "register.csv").write_text("\n".join([lines[0], *register]) + "\n")
    for path in sorted((sample / "readings").glob("*.parquet")):
        table = parquet.read_table(path)
        place = table.schema.get_field_index("home")
        assert place >= 0
        values = pyarrow.array([int(number[home]) for home in table["home"].to_pylist()], pyarrow.int64())
        parquet.write_table(table.set_column(place, "home", values), folder / "readings" / path.name)
    own = [f"inputs.readings={folder}/readings", f"inputs.register={folder}/register.csv", "inputs.visits="]
    return "numbered", "pipelines/service-list.toml", own


def job(options, name, pipeline, overrides, **more):
    """Options of the job for one fleet, as the command line gives them."""
    words = ["--drawoff", options.drawoff, "--pipeline", pipeline, "--parts", str(options.scratch / f"parts-{name}"),
             "--partitions", str(PARTITIONS), "--quiet"]
    for item in [*overrides, f"outputs.dir={options.scratch}/spark-{name}"]:
        words += ["--set", item]
    for key, value in more.items():
        words += [f"--{key}", str(value)]
    return service_list.arguments(words)


def quietly(command):
    ended = subprocess.run(command, capture_output=True, text=True, check=False)
    assert ended.returncode == 0, f"{command}: exit code {ended.returncode}\n{ended.stderr}"


def merged(of_job):
    quietly(service_list.merging(of_job))


def direct(options, name, pipeline, overrides):
    """The direct run of a fleet: its folder, and how long it took."""
    folder = options.scratch / f"direct-{name}"
    started = time.monotonic()
    quietly([options.drawoff, "run", pipeline, *service_list.overrides([*overrides, f"outputs.dir={folder}"])])
    return folder, time.monotonic() - started


def compare(options, name, folder):
    """Every file of the two runs but their own, byte by byte."""
    ours = options.scratch / f"spark-{name}"
    names = [{str(p.relative_to(run)) for p in run.rglob("*") if p.is_file() and not p.name.startswith(".")}
             for run in (folder, ours)]
    assert names[0] == names[1], f"{name}: files differ: {names[0] ^ names[1]}"
    assert {"service_list.csv", "service_list.json", "service_list.parquet", "service_list.html"} <= names[0]
    differ = [n for n in sorted(names[0] - OWN) if (folder / n).read_bytes() != (ours / n).read_bytes()]
    assert not differ, f"{name}: {differ} differ from the direct run"
    quality = [parquet.read_table(run / "quality.parquet").drop_columns([OWN_COLUMN]) for run in (folder, ours)]
    assert quality[0].equals(quality[1]), f"{name}: quality differs from the direct run"
    return len(names[0] - OWN)


def same_as_direct(spark, options, name, pipeline, overrides):
    folder, direct_s = direct(options, name, pipeline, overrides)
    of_job = job(options, name, pipeline, overrides)
    started = time.monotonic()
    rows, homes = service_list.reduce(spark, of_job)
    reduced_s = time.monotonic() - started
    assert service_list.assess(spark, of_job) <= homes
    assessed_s = time.monotonic() - started - reduced_s
    merged(of_job)
    both_s = time.monotonic() - started
    files = compare(options, name, folder)
    print(f"{name}: {rows:,} rows of {homes} homes; {files} files equal the direct run's; direct {direct_s:.1f} s, "
          f"Spark {both_s:.1f} s ({reduced_s:.1f} s of it the reduction, {assessed_s:.1f} s the assessment): "
          f"{both_s / direct_s:.1f} times", flush=True)


def processes(mark):
    """Numbers of processes whose command line has a mark."""
    found = []
    for folder in pathlib.Path("/proc").iterdir():
        try:
            if folder.name.isdigit() and mark in (folder / "cmdline").read_bytes().replace(b"\0", b" ").decode():
                found.append(int(folder.name))
        except (OSError, UnicodeDecodeError):
            pass  # It has ended meanwhile.
    return found


def parent_of(process):
    return int(pathlib.Path(f"/proc/{process}/stat").read_text().rsplit(")", 1)[1].split()[1])


def executor_of(process, executors):
    while process > 1 and process not in executors:
        process = parent_of(process)
    return process if process in executors else None


def is_held(worker):
    """Stops a process for now, and says whether it still had work to do: a task waits for its worker to end."""
    try:
        os.kill(worker, signal.SIGSTOP)
        time.sleep(0.1)
        if pathlib.Path(f"/proc/{worker}/stat").read_text().rsplit(")", 1)[1].split()[0] == "T":
            return True
        os.kill(worker, signal.SIGCONT)
    except OSError:
        pass  # It has ended meanwhile.
    return False


def with_an_executor_killed(spark, options, name, pipeline, overrides):
    """Kills one of the two executors while its workers are at work."""
    application = spark.sparkContext.applicationId
    of_job = job(options, f"{name}-killed", pipeline, overrides)
    killed = {}

    def kill():
        until = time.monotonic() + PATIENCE_S
        while not killed and time.monotonic() < until:
            executors = [p for p in processes("CoarseGrainedExecutorBackend") if p in processes(application)]
            for worker in processes("worker reduce"):
                try:
                    executor = executor_of(worker, executors)
                except OSError:
                    continue
                if executor and is_held(worker):
                    os.kill(executor, signal.SIGKILL)
                    os.kill(worker, signal.SIGCONT)
                    killed.update(executor=executor, worker=worker)
                    return
            time.sleep(0.02)

    thread = threading.Thread(target=kill)
    thread.start()
    started = time.monotonic()
    rows, homes = service_list.reduce(spark, of_job)
    service_list.assess(spark, of_job)
    took = time.monotonic() - started
    thread.join()
    assert killed, "no executor was killed"
    executors = spark.sparkContext._jsc.sc().statusStore().executorList(False)
    lost = [executors.apply(i) for i in range(executors.size()) if not executors.apply(i).isActive()]
    assert len(lost) == 1, f"{len(lost)} executors were lost, not 1"
    failed = sum(e.failedTasks() for e in lost)
    assert failed > 0, "the executor was lost, and none of its tasks with it"
    assert not pathlib.Path(f"/proc/{killed['worker']}").exists(), "a worker outlives its executor"
    merged(of_job)
    files = compare(options, f"{name}-killed", options.scratch / f"direct-{name}")
    print(f"{name}, one executor killed with {failed} tasks at work: {rows:,} rows of {homes} homes; {files} files equal "
          f"the direct run's; reduction and assessment {took:.1f} s", flush=True)


def planned_failures(spark, options, name, pipeline, overrides):
    """Workers that fail, hang, lose rows or read half: each ends the job and says why."""
    for what, script, expected in [
        ("fails", "cat >/dev/null & echo 'error: planned, no room left' >&2; exit 7", ["exit code 7", "planned, no room left"]),
        ("hangs", "exec sleep 600", ["longer than 3.0 s"]),
        ("loses rows", "cat >/dev/null; echo '{\"rows_in\": 1, \"homes_out\": 0}' >&2", ["read 1 rows", "it was given"]),
        ("reads half", f"head -c 100000 >\"$0.half\"; exec {options.drawoff} \"$@\" <\"$0.half\"", ["exit code 3", "cannot be read"]),
    ]:
        program = options.scratch / f"worker-that-{what.replace(' ', '-')}"
        program.write_text(f"#!/bin/sh\n{script}\n")
        program.chmod(0o755)
        deadline = 3.0 if what == "hangs" else 600
        of_job = job(options, f"{name}-failing", pipeline, overrides, program=program, deadline=deadline)
        try:
            service_list.reduce(spark, of_job)
        except Exception as error:  # Whatever Spark wraps it in.
            text = str(error)
        else:
            raise AssertionError(f"a worker that {what} went unseen")
        missing = [word for word in expected if word not in text]
        assert not missing, f"a worker that {what}: {missing} not in the error\n{text[-3000:]}"
        assert not (pathlib.Path(of_job.parts) / "reduced" / "_SUCCESS").exists(), "a failed job looks finished"
        print(f"{name}, a worker that {what}: the job ends and says so", flush=True)


def measure(spark, options, name, pipeline, overrides):
    """Where the time of the reduction goes, in one run: shuffle and sort, the hop through Python, the worker."""
    of_job = job(options, name, pipeline, overrides)
    readings = service_list.inputs(of_job)["readings"]
    contract = service_list.contract_of(of_job, "reduce")

    def timed(work):
        started = time.monotonic()
        work()
        return time.monotonic() - started

    def rows():
        return service_list.sorted_rows(spark, readings, contract, PARTITIONS)

    def through_python(batches):
        for batch in batches:
            yield batch.slice(0, 1)

    part = options.scratch / "measured-part"
    best = {}
    for _ in range(2):
        for what, work in [
            ("read only", lambda: spark.read.option("mergeSchema", "true").parquet(readings).write.format("noop").mode("overwrite").save()),
            ("and shuffle and sort", lambda: rows().write.format("noop").mode("overwrite").save()),
            ("and the hop through Python", lambda: rows().mapInArrow(through_python, rows().schema).agg(f.count("*")).collect()),
            ("and the worker, and writing", lambda: service_list.reduce(spark, of_job)),
            ("drawoff reduce, one process", lambda: quietly(
                [of_job.drawoff, "--threads", "2", "reduce", pipeline, *service_list.overrides(overrides), "--out", part])),
        ]:
            best[what] = min(best.get(what, 1e9), timed(work))
    for what, seconds in best.items():
        print(f"  {seconds:6.1f} s  {what}", flush=True)


if __name__ == "__main__":
    main()
