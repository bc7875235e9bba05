#!/bin/sh
# Sees to it that the system packages for one purpose are there:
# packages.sh serve | window | test | collections
# Says what it installs, installs only what is missing (Debian and its kin, with sudo where it is needed),
# and asks nothing. On other systems it says what is missing.
set -eu

build='cc:build-essential'
window="$build pkg-config:pkg-config -:libwebkit2gtk-4.1-dev"
test="$window Xvfb:xvfb xauth:xauth WebKitWebDriver:webkit2gtk-driver chromium:chromium pdftotext:poppler-utils
      python3:python3 python3-ensurepip:python3-venv -:librecad-data hp2xx:hp2xx -:postgresql"
collections="$test -:openclipart-svg"
case "${1-}" in
    serve) wanted=$build ;;
    window) wanted=$window ;;
    test) wanted=$test ;;
    collections) wanted=$collections ;;
    *) echo 'packages.sh serve | window | test | collections' >&2; exit 2 ;;
esac

# Whether what a package brings is there: by its command, or by the package itself where it has none.
has() { # COMMAND PACKAGE
    case "$1" in
        -) case "$2" in
               libwebkit2gtk-4.1-dev) pkg-config --exists webkit2gtk-4.1 2>/dev/null ;;
               librecad-data) [ -d /usr/share/librecad/library ] ;;
               postgresql) ls /usr/lib/postgresql/*/bin/postgres >/dev/null 2>&1 || command -v postgres >/dev/null 2>&1 ;;
               openclipart-svg) [ -d /usr/share/openclipart/svg ] ;;
           esac ;;
        python3-ensurepip) python3 -c 'import ensurepip, venv' 2>/dev/null ;;
        *) command -v "$1" >/dev/null 2>&1 ;;
    esac
}

missing=
for entry in $wanted; do
    has "${entry%%:*}" "${entry#*:}" || missing="$missing ${entry#*:}"
done
[ -n "$missing" ] || exit 0

if ! command -v apt-get >/dev/null 2>&1; then
    echo "Missing, by their Debian names:$missing. Please install what they are called on this system." >&2
    exit 1
fi
sudo=
if [ "$(id -u)" -ne 0 ]; then
    if ! command -v sudo >/dev/null 2>&1; then
        echo "Missing:$missing. As root: apt-get install --no-install-recommends$missing" >&2
        exit 1
    fi
    sudo=sudo
fi
echo "Installing system packages:$missing"
$sudo env DEBIAN_FRONTEND=noninteractive apt-get -q update
# shellcheck disable=SC2086 # one argument a package
$sudo env DEBIAN_FRONTEND=noninteractive apt-get -q install -y --no-install-recommends $missing
