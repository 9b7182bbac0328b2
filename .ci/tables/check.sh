#!/usr/bin/env bash
# Every Parquet file of a run, opened as analysts open them: .ci/tables/check.sh RUN
# Needs python3; its packages are fetched once, into a folder of their own beside the built program.
set -euo pipefail
here=$(cd "$(dirname "${BASH_SOURCE[0]}")" && pwd)
if ! python3 -c 'import venv, ensurepip' 2>/dev/null; then
  echo 'passed over: no python3 with venv here'
  exit 0
fi
tools=$(realpath -m "${CARGO_TARGET_DIR:-$here/../../target}")/table-check
[ -x "$tools/bin/python" ] || python3 -m venv "$tools"
"$tools/bin/python" -c 'import duckdb, pandas, polars, pyarrow' 2>/dev/null ||
  "$tools/bin/pip" install --quiet --disable-pip-version-check -r "$here/requirements.txt"
"$tools/bin/python" "$here/check.py" "$@"
