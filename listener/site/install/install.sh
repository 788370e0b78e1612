#!/bin/sh
# Installs the launch listener from this folder, without a network:   sh install.sh [FOLDER]
# Advisory and not certified; local orders, and the persons licensed or qualified to decide, come first.
set -eu

here=$(cd "$(dirname "$0")" && pwd)
usual=$HOME/launch-listener
[ "$(id -u)" = 0 ] && usual=/opt/launch-listener
to=${1:-$usual}

fail() { echo "install.sh: $1" >&2; exit 1; }

cd "$here"
sha256sum --quiet --check SHA256SUMS || fail "a file of this bundle is damaged or was changed: copy the bundle again"
command -v python3 > /dev/null || fail "Python is missing: this bundle needs Python @PYTHON@"
has=$(python3 -c 'import platform, sys; print("%d.%d %s" % (*sys.version_info[:2], platform.machine()))')
[ "$has" = "@PYTHON@ @MACHINE@" ] || fail "this bundle is for Python @PYTHON@ on @MACHINE@, here is $has: make one on such a machine"
if [ -e "$to" ] || [ -L "$to" ]; then fail "$to: is there already; move it away or name another folder: sh install.sh FOLDER"; fi

if [ -d debs ] && [ "$(id -u)" = 0 ]; then
    dpkg --install debs/*.deb || fail "the Debian packages could not be installed; nothing else was done"
elif [ -d debs ]; then
    echo "If sound cards are to be used, type as root:   dpkg --install $here/debs/*.deb"
fi

done=no
trap '[ $done = yes ] || rm -rf "$to"' EXIT
trap 'exit 1' INT TERM HUP
mkdir -p "$(dirname "$to")" && mkdir "$to" || fail "$to: cannot be made; name another folder: sh install.sh FOLDER"
python3 -m venv --without-pip "$to"
"$to/bin/python" "$(echo "$here"/wheels/pip-*.whl)/pip" --quiet --disable-pip-version-check install --no-index --no-cache-dir \
    --find-links "$here/wheels" "launch-listener@EXTRAS@==@VERSION@" || fail "nothing was installed"
[ ! -d models ] || cp -R models "$to/models"
printf '%s\n' "$here" > "$to/bundle-folder"
done=yes
echo "Installed in $to. Next, type:   $to/bin/listener install"
