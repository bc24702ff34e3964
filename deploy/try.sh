#!/bin/sh
# Tries loggerd on a simulated site, on Debian 12: sh deploy/try.sh [words for "loggerd demo", such as --days 10]
# Everything that is installed goes into the folder .venv of this checkout, except Debian's python3-venv if it is missing.
set -eu
cd "$(dirname -- "$0")/.."

as_root() {
    if [ "$(id -u)" = 0 ]; then
        "$@"
    else
        sudo "$@"
    fi
}

python=${PYTHON:-python3}
if ! "$python" -c 'import ensurepip' 2>/dev/null; then
    as_root apt-get update -qq
    as_root env DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends python3-venv
fi
"$python" -c 'import sys; sys.exit(sys.version_info < (3, 11))' || {
    echo "try.sh: $python is older than Python 3.11 (set PYTHON to a newer one)" >&2
    exit 1
}

[ -x .venv/bin/python ] || "$python" -m venv .venv
pip() {
    .venv/bin/python -m pip --quiet --disable-pip-version-check "$@"
}
pip install --require-hashes --requirement requirements.lock
pip install --no-deps --editable .
exec .venv/bin/loggerd demo "$@"
