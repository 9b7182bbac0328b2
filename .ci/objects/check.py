"""Runs from and to object storage: what must hold, with a storage that dies at chosen moments.

Prints a line for each thing shown, and ends with an error at the first that does not hold.
"""

import argparse
import hashlib
import json
import os
import secrets
import shutil
import subprocess
import sys
import threading
import time
from pathlib import Path

import boto3
import botocore.config
from storage import LOOPBACK, Plan, Server, Way

BUCKET = "fleet"
PIPELINE = "pipelines/service-list.toml"
SAMPLE = Path("sample-fleet")


def must(holds, what):
    if not holds:
        sys.exit(f"error: {what}")


def files_of(folder):
    return {str(p.relative_to(folder)): p.read_bytes() for p in sorted(folder.rglob("*"))
            if p.is_file() and not any(part.startswith(".") for part in p.relative_to(folder).parts)}


def same(one, other, what, but=()):
    a, b = files_of(Path(one)), files_of(Path(other))
    differ = sorted(name for name in a.keys() | b.keys() if a.get(name) != b.get(name) and name not in but)
    must(a and not differ, f"{what}: these files differ: {differ[:5]}")
    return len(a)


class Check:
    def __init__(self, args):
        self.drawoff, self.scratch = args.drawoff, Path(args.scratch)
        self.access, self.secret = "drawoff-check", secrets.token_hex(20)
        self.server = Server(args.server, str(self.scratch / "objects"), self.access, self.secret)
        (self.scratch / "objects" / BUCKET).mkdir(parents=True)
        self.server.start()
        self.way = Way(self.server)
        # Straight to the storage: what another reader sees, whatever happens on the way of ours.
        self.other = boto3.client(
            "s3", endpoint_url=f"http://{LOOPBACK}:{self.server.port}", region_name="us-east-1",
            aws_access_key_id=self.access, aws_secret_access_key=self.secret,
            config=botocore.config.Config(retries={"max_attempts": 0}, s3={"addressing_style": "path"}))

    def env(self, secret=None):
        env = {k: v for k, v in os.environ.items() if not k.startswith(("AWS_", "GOOGLE_", "AZURE_"))}
        env |= {"AWS_ACCESS_KEY_ID": self.access, "AWS_SECRET_ACCESS_KEY": secret or self.secret,
                "AWS_REGION": "us-east-1", "AWS_ENDPOINT_URL": f"http://{LOOPBACK}:{self.way.port}", "AWS_ALLOW_HTTP": "true"}
        return env

    def begin(self, *args, secret=None, **more):
        return subprocess.Popen([self.drawoff, *map(str, args)], env=self.env(secret) | more, text=True,
                                stdout=subprocess.PIPE, stderr=subprocess.PIPE)

    def end(self, process, code):
        out, err = process.communicate(timeout=300)
        must(self.secret not in out + err, "the secret stands in the output")
        must(process.returncode == code, f"exit code {process.returncode} where {code} is due\n{out}{err}")
        return out + err

    def run(self, *args, code=0, secret=None, **more):
        return self.end(self.begin(*args, secret=secret, **more), code)

    def pipeline(self, out, readings="readings", **sets):
        """Arguments of a run whose inputs lie in the storage."""
        sets = {"outputs.dir": out, "inputs.readings": self.at(readings),
                **{f"inputs.{k}": self.at(f"{k}.csv") for k in ("register", "tariffs", "carbon", "visits")},
                "outputs.staging": self.scratch / "staging", **sets}
        return [x for k, v in sets.items() for x in ("--set", f"{k}={v}")]

    def at(self, key):
        return f"s3://{BUCKET}/{key}"

    def seen(self, key):
        """What another reader sees of the run at an address: its manifest, every file it names there with size and hash."""
        try:
            manifest = json.loads(self.other.get_object(Bucket=BUCKET, Key=f"{key}/manifest.json")["Body"].read())
        except self.other.exceptions.NoSuchKey:
            return None
        for name, file in manifest["files"].items():
            body = self.other.get_object(Bucket=BUCKET, Key=f"{key}/{manifest['run']}/{name}")["Body"].read()
            must(len(body) == file["bytes"] and hashlib.sha256(body).hexdigest() == file["sha256"],
                 f"{name} of the run that is seen is not what its manifest says")
        return manifest

    def told(self, manifest):
        """A manifest without where it lies."""
        return {k: v for k, v in (manifest or {}).items() if k not in ("run", "before")}

    def requests(self, part):
        with self.way.lock:
            log = [entry for entry in self.way.log if part in entry[1]]
        return len(log), sum(entry[2] for entry in log)


def fill(check):
    for path in sorted(SAMPLE.rglob("*")):
        if path.is_file() and "truth" not in path.parts:
            check.other.upload_file(str(path), BUCKET, str(path.relative_to(SAMPLE)))


def equal_to_direct(check):
    direct = check.scratch / "direct"
    check.run("run", PIPELINE, "--set", f"outputs.dir={direct}")
    check.way.arm(None)
    said = check.run("run", PIPELINE, *check.pipeline(check.at("list")))
    must("object storage:" in said and "bytes written" in said, "the run does not say what it asked")
    check.run("fetch", check.at("list"), "--out", check.scratch / "fetched")
    count = same(direct, check.scratch / "fetched", "a run from and to the storage against the direct run")
    seen = check.seen("list")
    must(check.told(seen) == json.loads((direct / "manifest.json").read_text()), "the manifest differs")
    must(not (check.scratch / "staging").exists(), "what was staged is still there")
    print(f"ok: run from s3:// to s3:// equals the direct run, {count} files to the byte; another client reads the same")


def ranges(check):
    size = sum(p.stat().st_size for p in (SAMPLE / "readings").iterdir())
    few = check.scratch / "few.toml"
    lines = Path("pipelines/mappings/drawoff.toml").read_text().splitlines()
    few.write_text("\n".join(l for l in lines if not any(f"probe_{i}_degc" in l for i in range(2, 9)) and "call_" not in l))
    def reading(mapping):
        args = ["--set", f"inputs.mapping={mapping}", "--set", "outputs.staging=" + str(check.scratch / "staging")]
        check.way.arm(None)
        check.run("reduce", PIPELINE, *check.pipeline(check.at("x")), *args, "--out", check.scratch / "part")
        return check.requests("/readings/")
    (all_requests, all_bytes), (requests, read) = reading("pipelines/mappings/drawoff.toml"), reading(few)
    must(all_bytes <= 1.3 * size, f"{all_bytes} bytes were read of {size}")
    must(read < 0.5 * all_bytes, f"few columns took {read} bytes where all took {all_bytes}")
    print(f"ok: readings of {size} bytes: all columns took {all_requests} requests and {all_bytes} bytes, a few columns {requests} and {read}")

    check.run("bucket", PIPELINE, *check.pipeline(check.at("x")), "--buckets", 4, "--out", check.at("by-home"))
    by_home = sum(o["Size"] for o in check.other.list_objects_v2(Bucket=BUCKET, Prefix="by-home/runs/")["Contents"])
    for shard in range(1, 5):
        check.way.arm(None)
        check.run("reduce", PIPELINE, *check.pipeline(check.at("x"), "by-home"), "--shard", f"{shard}/4", "--out", check.at(f"parts/{shard}"))
        requests, read = check.requests("/by-home/runs/")
        must(read < 0.6 * by_home, f"shard {shard} read {read} bytes of {by_home}")
    parts = [check.at(f"parts/{shard}") for shard in range(1, 5)]
    check.run("merge", PIPELINE, *check.pipeline(check.at("merged"), "by-home"), "--parts", *parts)
    check.run("fetch", check.at("merged"), "--out", check.scratch / "merged")
    # Files of buckets have names of their own.
    same(check.scratch / "direct", check.scratch / "merged", "shards by way of the storage against the direct run",
         but=("files.parquet", "manifest.json"))
    print(f"ok: buckets, shards, parts and their merge by way of the storage equal the direct run; the last shard read {read} of {by_home} bytes")

    table = (check.scratch / "direct" / "daybook_days.parquet").stat().st_size
    home = json.loads((check.scratch / "direct" / "service_list.json").read_text())
    home = (home if isinstance(home, list) else next(v for v in home.values() if isinstance(v, list)))[0]["home"]
    here = check.run("explain", home, "--run", check.scratch / "direct")
    there = check.run("explain", home, "--run", check.at("list"))
    must(there.startswith(here.rstrip()), "explain differs by way of the storage")
    print(f"ok: explain reads a run at its address (daybook_days has {table} bytes)")


def nights(check):
    """A kept daybook here, readings there; and what changed since the run at an address."""
    here = check.scratch / "nights"
    here.mkdir()
    for weeks in ((1, 2, 3, 4), (5,)):
        for week in weeks:
            file = SAMPLE / f"readings/week-{week}.parquet"
            check.other.upload_file(str(file), BUCKET, f"nights/{file.name}")
            shutil.copy(file, here)
        for out, readings, kept in ((check.at("nightly"), check.at("nights"), "kept"), (check.scratch / "nightly-here", here, "kept-here")):
            sets = {"inputs.readings": readings, "daybook.keep": check.scratch / kept}
            said = check.run("run", PIPELINE, *check.pipeline(out, **sets))
            must(len(weeks) > 1 or "1 files new, 4 unchanged" in said, f"the files of the night before are not known again\n{said}")
    check.run("fetch", check.at("nightly"), "--out", check.scratch / "nightly")
    same(check.scratch / "nightly-here", check.scratch / "nightly", "two nights with readings in the storage against two of a folder")
    since = {"pages.since": check.at("list"), "worth.visits_per_list": 9}
    check.run("run", PIPELINE, *check.pipeline(check.at("list-9"), **since))
    check.run("run", PIPELINE, *check.pipeline(check.scratch / "local-9", **since | {"pages.since": check.scratch / "direct"}))
    check.run("fetch", check.at("list-9"), "--out", check.scratch / "other")
    same(check.scratch / "local-9", check.scratch / "other", "what changed since the run at an address")
    print("ok: a night reads what is new in the storage; pages.since takes an address")


class Reader(threading.Thread):
    """Looks at the run at an address again and again; what is seen must be whole, and one of those that may be seen."""

    def __init__(self, check, key, allowed):
        super().__init__(daemon=True)
        self.check, self.key, self.allowed = check, key, allowed
        self.looks, self.wrong, self.stop = 0, None, threading.Event()

    def run(self):
        while not self.stop.is_set():
            try:
                seen = self.check.told(self.check.seen(self.key))
            except SystemExit as e:
                self.wrong = str(e)
                return
            except Exception:  # noqa: BLE001 -- the storage is down, and that is what is tried here
                time.sleep(0.05)
                continue
            if seen not in self.allowed:
                self.wrong = "a run was seen that is neither the old nor the new one"
                return
            self.looks += 1

    def ended(self):
        self.stop.set()
        self.join(20)
        must(self.wrong is None, self.wrong)
        return self.looks


def killed_in_mid_write(check):
    one, two = check.scratch / "direct", check.scratch / "other"
    check.run("publish", one, check.at("killed"))
    told = {True: json.loads((one / "manifest.json").read_text()), False: json.loads((two / "manifest.json").read_text())}
    # Every file, the run's own manifest, and the one that readers go by.
    puts = {run: len(manifest["files"]) + 2 for run, manifest in told.items()}
    is_one, looks, kills, ended = True, 0, check.server.kills, {0: 0, 1: 0}
    # Writes counted from the first, or from the last.
    points = [(1, "middle"), (2, "before"), (20, "middle"), (30, "after"), (-3, "middle"), (-2, "middle"), (-2, "after"),
              (-1, "before"), (-1, "middle"), (-1, "after")]
    for place, when in points:
        for back_after, patience in ((None, 2), (0.7, 30)):
            new = two if is_one else one
            n = place if place > 0 else puts[not is_one] + 1 + place
            reader = Reader(check, "killed", [told[is_one], told[not is_one]])
            reader.start()
            check.way.arm(Plan("PUT", n, when, back_after))
            process = check.begin("publish", new, check.at("killed"), "--give-up-after-s", patience)
            out = process.communicate(timeout=200)
            must(check.way.plan.done.is_set(), f"the storage was not killed at write {n}")
            code = process.returncode
            must(code in (0, 1) and (code == 0 or "hint:" in out[1]), f"exit code {code}: {out}")
            must(check.secret not in "".join(out), "the secret stands in the output")
            must(back_after is None or code == 0, f"the storage came back and the run did not end well at write {n}, {when}: {out}")
            ended[code] += 1
            check.server.start()
            seen = check.told(check.seen("killed"))
            must(seen in told.values() and (code == 1 or seen == told[not is_one]), f"after write {n} ({when}) a wrong run is seen")
            if code == 1:
                must((place, when) == (-1, "after") or seen == told[is_one], f"a run that failed at write {n} ({when}) is seen")
                check.run("publish", new, check.at("killed"))
                must(check.told(check.seen("killed")) == told[not is_one], "the rerun is not seen")
            looks += reader.ended()
            is_one = not is_one
    kills = check.server.kills - kills
    must(kills == 2 * len(points) and ended[1] >= len(points) - 2, f"{kills} kills, {ended}")
    print(f"ok: storage killed {kills} times at {len(points)} points of {puts[True]} writes: {ended[1]} runs failed and their reruns completed, "
          f"{ended[0]} went on when it came back; {looks} whole looks of another reader, none at a half run")
    for n in (2, 20, puts[not is_one] - 1):
        check.way.arm(Plan("PUT", n, "wait", 2.0))
        process = check.begin("publish", two if is_one else one, check.at("killed"))
        must(check.way.plan.done.wait(60), "no write came")
        process.kill()
        process.wait()
        must(check.told(check.seen("killed")) == told[is_one], "a run that was killed is seen")
    check.run("publish", two if is_one else one, check.at("killed"))
    must(check.told(check.seen("killed")) == told[not is_one], "the rerun is not seen")
    print("ok: program killed 3 times in mid-write: the old run stays, the rerun completes")


def large_files(check):
    """Files that go in parts; and what is wrong in the storage is found by whoever reads it."""
    large = check.scratch / "large"
    content = secrets.token_bytes(1 << 20) * 20
    (large / "deep").mkdir(parents=True)
    (large / "deep" / "large.bin").write_bytes(content)
    manifest = {"files": {"deep/large.bin": {"bytes": len(content), "sha256": hashlib.sha256(content).hexdigest()}}}
    (large / "manifest.json").write_text(json.dumps(manifest, indent=2) + "\n")
    check.way.arm(Plan("PUT", 2, "middle"))
    check.run("publish", large, check.at("large"), "--give-up-after-s", 2, code=1)
    check.server.start()
    must(check.seen("large") is None, "a run of which a part is missing is seen")
    check.way.arm(None)
    check.run("publish", large, check.at("large"))
    parts = check.requests("/large.bin")[0]
    must(parts > 4, f"a large file went with {parts} requests")
    check.run("fetch", check.at("large"), "--out", check.scratch / "large-back")
    same(large, check.scratch / "large-back", "a run with a large file")
    spoilt = next((check.scratch / "objects" / BUCKET / "large").rglob("large.bin"))
    with spoilt.open("r+b") as file:
        file.seek(5 << 20)
        file.write(b"spoilt")
    said = check.run("fetch", check.at("large"), "--out", check.scratch / "large-back", code=1)
    must("large.bin: differs from what the manifest says" in said, f"not clear: {said}")
    must((check.scratch / "large-back" / "deep" / "large.bin").read_bytes() == content, "what was fetched before is lost")
    try:
        check.seen("large")
    except SystemExit:
        print("ok: a file of 20 MB goes in parts, also after the storage died at one; a spoilt one is found by fetch and by the other reader")
        return
    sys.exit("error: the other reader does not see that a file is spoilt")


def wrong_credentials(check):
    wrong = "hush" + secrets.token_hex(16)
    for log in ("text", "json"):
        for args in (["run", PIPELINE, *check.pipeline(check.at("refused"))], ["publish", check.scratch / "direct", check.at("refused")]):
            said = check.run("--log", log, *args, code=1, secret=wrong)
            must(wrong not in said, "a wrong secret is repeated")
            must(f"s3://{BUCKET}/" in said and "refused these credentials" in said and "hint" in said, f"not clear: {said}")
    pipeline = check.scratch / "secret.toml"
    text = Path(PIPELINE).read_text().replace("[outputs]\n", f'secret_access_key = "{wrong}"\n[outputs]\n')
    pipeline.write_text(text.replace('readings = "', f'readings = "s3://me:{wrong}@fleet/x" # '))
    tries = [["run", pipeline], ["check", PIPELINE, "--set", f"inputs.aws_secret_access_key={wrong}"],
             ["run", PIPELINE, "--set", f"inputs.readings=s3://me:{wrong}@fleet/x"], ["run", PIPELINE, "--set", f"outputs.dir=az://c/x?sig={wrong}"],
             ["fetch", f"s3://me:{wrong}@fleet/x", "--out", check.scratch / "none"]]
    for args in tries:
        said = check.run(*args, code=2)
        must(wrong not in said and "secret" in said, f"not clear, or repeated: {said}")
    print("ok: wrong credentials end with exit code 1 and the address; secrets in pipelines, overrides and addresses with 2; none is repeated")


def storage_gone(check):
    patience = ["--set", "storage.give_up_after_s=2"]
    check.way.arm(Plan("GET", 9, "before", path="/readings/"))
    said = check.run("run", PIPELINE, *check.pipeline(check.at("gone")), *patience, code=1)
    must(check.way.plan.done.is_set() and "tried until the limit" in said, f"gone while readings were read: {said}")
    start = time.monotonic()
    said = check.run("run", PIPELINE, *check.pipeline(check.at("gone")), *patience, code=1)
    took = time.monotonic() - start
    must(f"s3://{BUCKET}/" in said and "tried until the limit" in said and took < 30, f"{took} s: {said}")
    check.server.start()
    must(check.seen("gone") is None, "a run was put there after all")
    print(f"ok: storage gone, before the run and while it reads: exit code 1, after {took:.1f} s with a limit of 2 s a request")


def two_at_once(check):
    one, two = check.scratch / "direct", check.scratch / "other"
    for key in ("fresh", "killed"):
        check.way.arm(Plan("PUT", 5, "wait", 4.0))
        early = check.begin("publish", one, check.at(key))
        must(check.way.plan.done.wait(60), "no write came")
        check.run("publish", two, check.at(key))
        said = check.end(early, 1)
        must("another run was put there while this one" in said, f"not clear: {said}")
        must(check.told(check.seen(key)) == json.loads((two / "manifest.json").read_text()), "not the run that ended first")
    listed = check.other.list_objects_v2(Bucket=BUCKET, Prefix="fresh/runs/")
    must(len({o["Key"].split("/")[2] for o in listed["Contents"]}) == 1, "the run that gave way has left files")
    said = check.run("publish", one, check.at("bare"), code=1, AWS_CONDITIONAL_PUT="disabled")
    must("cannot do it" in said and check.seen("bare") is None, f"a storage without conditions was written: {said}")
    print("ok: of two at once the second to end says so and stops; nothing is mixed, nothing of it is left")


def main():
    parser = argparse.ArgumentParser()
    for name in ("drawoff", "server", "scratch"):
        parser.add_argument(f"--{name}", required=True)
    check = Check(parser.parse_args())
    try:
        fill(check)
        parts = (equal_to_direct, ranges, nights, killed_in_mid_write, large_files, wrong_credentials, storage_gone, two_at_once)
        for part in parts:
            start = time.monotonic()
            part(check)
            print(f"{time.monotonic() - start:6.1f} s  {part.__name__}", flush=True)
    finally:
        check.server.kill()
        shutil.rmtree(check.scratch / "objects", ignore_errors=True)
    print(f"{len(parts)} passed, 0 failed")


main()
