#!/usr/bin/env bash
# Pages of a run, looked at by a browser: .ci/pages/check.sh SITE SINGLE_PAGE|- SHOTS
# Needs node, npm and chromium, and installs them where apt-get may; else it fails.
#   DRAWOFF_NO_TOOLS  1: go on without them, and say that this was passed over
set -euo pipefail
here=$(cd "$(dirname "${BASH_SOURCE[0]}")" && pwd)
site=$(realpath "$1")
single=$2
if [ "$single" != - ]; then single=$(realpath "$single"); fi
shots=$(realpath -m "$3")

browser() { command -v chromium || command -v chromium-browser; }
missing=()
browser >/dev/null || missing+=(chromium)
# Some builds of nodejs bring npm, and refuse the package of that name.
command -v node >/dev/null || missing+=(nodejs)
command -v npm >/dev/null || missing+=(npm)
if [ ${#missing[@]} -gt 0 ]; then
  if [ "$(id -u)" = 0 ] && command -v apt-get >/dev/null; then
    apt-get update -qq && apt-get install -y -qq --no-install-recommends "${missing[@]}" >/dev/null
  elif [ "${DRAWOFF_NO_TOOLS:-0}" = 1 ]; then
    echo "passed over: no ${missing[*]} here, and no right to install"
    exit 0
  else
    echo "error: no ${missing[*]} here, and no right to install"
    echo "hint: install them, or set DRAWOFF_NO_TOOLS=1 to go on without this check"
    exit 1
  fi
fi

# Beside the built program, so that they are fetched once.
tools=${CARGO_TARGET_DIR:-$here/../../target}/page-check
mkdir -p "$tools" "$shots"
cp "$here/package.json" "$here/package-lock.json" "$here/check.mjs" "$tools/"
# What was installed whole, and for which versions, is told by the copy that is made afterwards.
if ! cmp -s "$here/package-lock.json" "$tools/installed"; then
  rm -f "$tools/installed"
  (cd "$tools" && npm ci --silent --no-audit --no-fund --ignore-scripts)
  cp "$here/package-lock.json" "$tools/installed"
fi
CHROMIUM=$(browser) node "$tools/check.mjs" "$site" "$single" "$shots"
