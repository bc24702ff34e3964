#!/bin/sh
# Installs or updates loggerd on Debian 12. Can be run again at any time: what is there already is left alone.
set -eu

usage() {
    cat <<'END'
usage: install.sh [--wheel FILE] [--offline] [--time-series] [--again] [--root DIR] [--no-systemd]

Installs loggerd into /opt/loggerd/VERSION, checks the settings in /etc/loggerd/site.toml with it (an example is put
there if there are none), and only then makes /opt/loggerd/current point to it. The version before is kept.

  --wheel FILE    install this wheel; without it, the checkout that this script belongs to
  --offline       take loggerd's dependencies from the folder of the wheel, not from the package index
  --time-series   also what is needed to send ledgers to a time-series server
  --again         build this version again, beside the one that is there
  --root DIR      install below DIR, for a trial or an image: no packages, no user, no service
  --no-systemd    do not install the service or the rules for serial ports
END
}

fail() {
    echo "install.sh: $*" >&2
    exit 1
}

wheel=
offline=
extra=
again=
root=
systemd=yes
while [ $# -gt 0 ]; do
    case $1 in
        --wheel) [ $# -gt 1 ] || fail "--wheel needs a file"; wheel=$2; shift ;;
        --root) [ $# -gt 1 ] || fail "--root needs a folder"; root=$2; shift ;;
        --offline) offline=yes ;;
        --time-series) extra='[time-series]' ;;
        --again) again=yes ;;
        --no-systemd) systemd= ;;
        -h | --help) usage; exit 0 ;;
        *) usage >&2; fail "unknown option: $1" ;;
    esac
    shift
done

here=$(CDPATH='' cd -- "$(dirname -- "$0")" && pwd)
python=${PYTHON:-python3}

if [ -n "$wheel" ]; then
    [ -f "$wheel" ] || fail "no such wheel: $wheel"
    wheel=$(CDPATH='' cd -- "$(dirname -- "$wheel")" && pwd)/$(basename -- "$wheel")
    version=$(basename -- "$wheel" | sed -n 's/^loggerd-\([0-9][^-]*\)-.*\.whl$/\1/p')
    [ -n "$version" ] || fail "not a wheel of loggerd: $wheel"
    source=$wheel
else
    [ -z "$offline" ] || fail "--offline needs --wheel FILE, with the wheels of the dependencies beside it"
    source=$(dirname -- "$here")
    [ -f "$source/pyproject.toml" ] || fail "no checkout around $here: give --wheel FILE"
    version=$(sed -n 's/^version = "\(.*\)"$/\1/p' "$source/pyproject.toml")
    [ -n "$version" ] || fail "no version in $source/pyproject.toml"
fi

if [ -n "$root" ]; then
    systemd=
    mkdir -p "$root"
    root=$(CDPATH='' cd -- "$root" && pwd)
else
    [ "$(id -u)" = 0 ] || fail "run it as root (or with --root DIR for a trial)"
fi
base=$root/opt/loggerd
etc=$root/etc/loggerd
state=$root/var/lib/loggerd

# -- what the system must have --
if [ -z "$root" ]; then
    if ! dpkg-query -W -f '${Status}' python3-venv 2>/dev/null | grep -q 'ok installed'; then
        apt-get update
        DEBIAN_FRONTEND=noninteractive apt-get install -y --no-install-recommends python3-venv
    fi
    if ! getent passwd loggerd >/dev/null; then
        useradd --system --user-group --no-create-home --home-dir /var/lib/loggerd --shell /usr/sbin/nologin loggerd
    fi
fi
"$python" -c 'import sys; sys.exit(sys.version_info < (3, 11))' || fail "$python is older than Python 3.11"

# -- a version of its own, beside the others --
mkdir -p "$base" "$etc" "$state"
name=$version
number=1
while [ -n "$again" ] && [ -f "$base/$name/.complete" ]; do
    number=$((number + 1))
    name=$version-build$number
done
target=$base/$name
if [ -f "$target/.complete" ]; then
    echo "loggerd $name is installed already (--again builds it anew)"
else
    rm -rf -- "$target"
    "$python" -m venv "$target"
    if [ -n "$offline" ]; then
        set -- --no-index --find-links "$(dirname -- "$wheel")"
    else
        set --
    fi
    if [ -z "$wheel" ]; then
        # The very versions that this checkout was tested with.
        "$target/bin/pip" install --quiet --disable-pip-version-check --no-cache-dir \
            --require-hashes --requirement "$source/requirements.lock"
    fi
    "$target/bin/pip" install --quiet --disable-pip-version-check --no-cache-dir "$@" "$source$extra"
    "$target/bin/loggerd" --version
    : >"$target/.complete"
fi

# -- settings: an example the first time, never touched again --
if [ ! -e "$etc/site.toml" ]; then
    example=$("$target/bin/python" -I -c 'import importlib.resources as r; print(r.files("loggerd") / "shipped_config" / "site.example.toml")')
    # The service may write to its state folder only.
    sed "s|^path = \"record.sqlite\"|path = \"$state/record.sqlite\"|" "$example" >"$etc/site.toml.new"
    mv -- "$etc/site.toml.new" "$etc/site.toml"
    first=yes
else
    first=
fi
if [ -z "$root" ]; then
    # The settings may hold a password: for root and the service only.
    chown root:loggerd "$etc" "$etc/site.toml"
    chmod 0750 "$etc"
    chmod 0640 "$etc/site.toml"
    chown loggerd:loggerd "$state"
    chmod 0750 "$state"
fi
"$target/bin/loggerd" check "$etc/site.toml" \
    || fail "the settings in $etc/site.toml are not right for $name; mend them and run this again. Nothing was switched over."

# -- switch over: one rename, so there is always a current version --
link() {
    ln -sfn -- "$1" "$base/$2.new"
    mv -T -- "$base/$2.new" "$base/$2"
}
before=$(readlink -- "$base/current" || true)
if [ "$before" != "$name" ]; then
    [ -z "$before" ] || link "$before" previous
    link "$name" current
fi
previous=$(readlink -- "$base/previous" || true)
for old in "$base"/*; do
    [ -d "$old" ] && [ ! -L "$old" ] || continue
    case $(basename -- "$old") in
        "$name" | "$previous") ;;
        *) rm -rf -- "$old" ;;
    esac
done

if [ -n "$systemd" ]; then
    install -m 0644 "$here/loggerd.service" /etc/systemd/system/loggerd.service
    install -m 0644 "$here/loggerd-pages.service" /etc/systemd/system/loggerd-pages.service
    [ -e /etc/udev/rules.d/99-loggerd-serial.rules ] \
        || install -m 0644 "$here/99-loggerd-serial.rules" /etc/udev/rules.d/99-loggerd-serial.rules
    systemctl daemon-reload
    systemctl enable loggerd.service
    systemctl try-restart loggerd.service loggerd-pages.service
fi

echo "loggerd $name is installed in $target"
if [ -n "$first" ]; then
    cat <<END
The settings in $etc/site.toml are an example. Next:
  1. describe your bank and instruments there
  2. $base/current/bin/loggerd check $etc/site.toml
  3. $base/current/bin/loggerd probe $etc/site.toml
  4. systemctl start loggerd
  5. for the pages: runuser -u loggerd -- $base/current/bin/loggerd access $etc/site.toml add NAME --role keeper
     and systemctl enable --now loggerd-pages
END
fi
