#!/usr/bin/env bash
# Runs from and to object storage, against a server on this machine that speaks the S3 protocol and is killed again and again.
# The server is s3s-fs of crates.io, which keeps objects as files, so that it can be killed and started again, and knows conditional
# writes; it is built once, below the build folder. The reader that is not ours is boto3 of PyPI.
#   DRAWOFF           the program; default: the release build
#   DRAWOFF_NO_TOOLS  1: go on without python3, and say that this was passed over
set -euo pipefail
here=$(cd "$(dirname "${BASH_SOURCE[0]}")" && pwd)
cd "$here/../.."
if ! python3 -c 'import venv, ensurepip' 2>/dev/null && [ "$(id -u)" = 0 ]; then
  apt-get update -qq >/dev/null 2>&1 && apt-get install -y -qq python3-venv >/dev/null 2>&1 || true
fi
if ! python3 -c 'import venv, ensurepip' 2>/dev/null; then
  if [ "${DRAWOFF_NO_TOOLS:-0}" = 1 ]; then
    echo 'passed over: no python3 with venv here'
    exit 0
  fi
  echo 'error: no python3 with venv here'
  echo 'hint: install it, or set DRAWOFF_NO_TOOLS=1 to go on without this check'
  exit 1
fi
target=$(realpath -m "${CARGO_TARGET_DIR:-target}")
tools=$target/object-check
# What was installed whole, and in which versions, is told by the copy that is made afterwards.
if ! cmp -s "$here/requirements.txt" "$tools/installed"; then
  rm -f "$tools/installed"
  python3 -m venv --clear "$tools/venv"
  "$tools/venv/bin/pip" install --quiet --disable-pip-version-check -r "$here/requirements.txt"
  cp "$here/requirements.txt" "$tools/installed"
fi
# The newest that this compiler builds. It is fast enough without optimisation, and built sooner.
server=0.14.1
if ! "$tools/server/bin/s3s-fs" --version 2>/dev/null | grep -qF "$server"; then
  CARGO_PROFILE_RELEASE_OPT_LEVEL=1 CARGO_PROFILE_RELEASE_DEBUG=false CARGO_PROFILE_RELEASE_LTO=off \
    CARGO_TARGET_DIR="$tools/server/build" \
    cargo install --quiet --locked s3s-fs --version "=$server" --features binary --root "$tools/server"
  rm -rf "$tools/server/build"
fi
scratch=$(mktemp -d)
trap 'rm -rf "$scratch"' EXIT
PYTHONDONTWRITEBYTECODE=1 "$tools/venv/bin/python" "$here/check.py" --drawoff "${DRAWOFF:-$target/release/drawoff}" \
  --server "$tools/server/bin/s3s-fs" --scratch "$scratch"
