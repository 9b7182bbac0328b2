"""Runs a stage of drawoff as the child of a Spark task: Arrow batches in, Arrow batches out.

All the work is done by `drawoff worker`; this file only moves bytes, keeps time and compares counts. Give what `stage()` returns to
`DataFrame.mapInArrow`, on rows that are repartitioned by home and sorted by home and time within each partition.
"""

import collections
import itertools
import json
import os
import subprocess
import threading
import typing

import pyarrow as pa
from pyspark import SparkFiles

# Lines of the worker's standard error that an error message carries.
TAIL_LINES = 30
# A worker that was told to end gets this long, in seconds.
LAST_SECONDS = 30


class WorkerFailed(RuntimeError):
    """A worker did not do all of its work; the message ends with the last lines of its standard error."""


class Shipped(typing.NamedTuple):
    """A word of a command that names a file which Spark has brought to the executor, with what stands before it."""

    before: str
    name: str


def stage(command, deadline_s):
    """A function for `mapInArrow` that runs `command` once for each partition, for at most `deadline_s` seconds."""

    def run(batches):
        batches = iter(batches)
        first = next(batches, None)
        if first is None:
            return  # An empty partition needs no child.
        words = [w.before + SparkFiles.get(w.name) if isinstance(w, Shipped) else w for w in command]
        yield from _run(words, itertools.chain([first], batches), first.schema, deadline_s)

    return run


def _run(command, batches, schema, deadline_s):
    # The worker ends when this process is gone: after a cancelled job nobody else would end it.
    child = subprocess.Popen(
        [*command, "--parent", str(os.getpid())],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
    )
    tail = collections.deque(maxlen=TAIL_LINES)
    fed = {"rows": 0, "error": None}
    late = threading.Event()

    def feed():
        # Rows are written while results are read: with one after the other both sides would wait once the pipes are full.
        try:
            with pa.ipc.new_stream(child.stdin, schema) as writer:
                for batch in batches:
                    writer.write_batch(batch)
                    fed["rows"] += batch.num_rows
            child.stdin.close()
        except BrokenPipeError:
            pass  # The worker has left; its exit code and last lines, or its counts, will say why.
        except BaseException as error:  # Whatever ended the rows, the worker must not take them for all.
            fed["error"] = error
            child.kill()

    def keep_tail():
        for line in child.stderr:
            tail.append(line.decode("utf-8", "replace").rstrip())

    def give_up():
        late.set()
        child.kill()

    threads = [threading.Thread(target=feed, daemon=True), threading.Thread(target=keep_tail, daemon=True)]
    clock = threading.Timer(deadline_s, give_up)
    clock.daemon = True
    for thread in (*threads, clock):
        thread.start()
    homes, broken = 0, None
    try:
        try:
            with pa.ipc.open_stream(child.stdout) as reader:
                for batch in reader:
                    homes += batch.num_rows
                    yield batch
        except (pa.ArrowInvalid, OSError) as error:
            broken = error
        code = child.wait(LAST_SECONDS)
        for thread in threads:
            thread.join(LAST_SECONDS)
        _check(code, fed, homes, broken, late.is_set(), deadline_s, tail)
    finally:
        # Also when the consumer has left.
        clock.cancel()
        if child.poll() is None:
            child.kill()
            child.wait()


def _check(code, fed, homes, broken, is_late, deadline_s, tail):
    """Raises unless the worker says that it has read all rows, and its homes have all come."""
    text = "\n".join(tail)
    if is_late:
        raise WorkerFailed(f"the worker took longer than {deadline_s} s and was ended\n{text}")
    if code > 0:
        raise WorkerFailed(f"the worker ended with exit code {code}\n{text}")
    if fed["error"] is not None:
        raise WorkerFailed(f"the rows of the partition ended early: {fed['error']!r}\n{text}") from fed["error"]
    if code < 0:
        raise WorkerFailed(f"the worker was ended by signal {-code}\n{text}")
    try:
        counts = json.loads(tail[-1])
        said = (counts["rows_in"], counts["homes_out"])
    except (IndexError, ValueError, KeyError, TypeError):
        raise WorkerFailed(f"the worker's last line tells no counts\n{text}") from None
    if broken is not None or said != (fed["rows"], homes):
        raise WorkerFailed(
            f"the worker read {said[0]} rows and wrote {said[1]} homes; it was given {fed['rows']} rows, "
            f"and {homes} homes came back ({broken})\n{text}"
        )
