#!/usr/bin/env bash
# Pages of a run, looked at by a browser: .ci/pages/check.sh SITE SINGLE_PAGE SHOTS
# Needs node, npm and chromium; without them it installs them where apt-get may, or says that it passes over.
set -euo pipefail
here=$(cd "$(dirname "${BASH_SOURCE[0]}")" && pwd)
site=$(realpath "$1")
single=$(realpath "$2")
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
  else
    echo "passed over: no ${missing[*]} here, and no right to install"
    exit 0
  fi
fi

# Beside the built program, so that they are fetched once.
tools=${CARGO_TARGET_DIR:-$here/../../target}/page-check
mkdir -p "$tools" "$shots"
cp "$here/package.json" "$here/package-lock.json" "$here/check.mjs" "$tools/"
(cd "$tools" && { [ -d node_modules/axe-core ] || npm ci --silent --no-audit --no-fund --ignore-scripts; })
CHROMIUM=$(browser) node "$tools/check.mjs" "$site" "$single" "$shots"
