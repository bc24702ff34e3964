#!/bin/sh
# Makes the lock files anew: every package that an installation needs, with the check sums of all its files, for any
# Python from 3.11 on and any machine. Needs uv (pip install uv). Words such as --upgrade are handed to it.
set -eu
cd "$(dirname -- "$0")/.."

lock() {
    file=$1
    shift
    uv pip compile pyproject.toml --generate-hashes --universal --fork-strategy fewest --python-version 3.11 --quiet \
        --custom-compile-command "deploy/lock.sh" --output-file "$file" "$@"
}

lock requirements.lock --extra time-series "$@"
# With the same versions of what both need.
lock requirements-test.lock --extra time-series --extra test --constraints requirements.lock "$@"
