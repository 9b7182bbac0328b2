#!/usr/bin/env bash
# Every Parquet file of a run, opened as analysts open them: .ci/tables/check.sh RUN
# Needs python3 with venv; its packages are fetched once, into a folder of their own beside the built program.
#   DRAWOFF_NO_TOOLS  1: go on without python3, and say that this was passed over
set -euo pipefail
here=$(cd "$(dirname "${BASH_SOURCE[0]}")" && pwd)
if ! python3 -c 'import venv, ensurepip' 2>/dev/null; then
  if [ "${DRAWOFF_NO_TOOLS:-0}" = 1 ]; then
    echo 'passed over: no python3 with venv here'
    exit 0
  fi
  echo 'error: no python3 with venv here'
  echo 'hint: install it, or set DRAWOFF_NO_TOOLS=1 to go on without this check'
  exit 1
fi
tools=$(realpath -m "${CARGO_TARGET_DIR:-$here/../../target}")/table-check
# What was installed whole, and in which versions, is told by the copy that is made afterwards.
if ! cmp -s "$here/requirements.txt" "$tools/installed"; then
  rm -f "$tools/installed"
  python3 -m venv --clear "$tools"
  "$tools/bin/pip" install --quiet --disable-pip-version-check -r "$here/requirements.txt"
  cp "$here/requirements.txt" "$tools/installed"
fi
"$tools/bin/python" "$here/check.py" "$@"
