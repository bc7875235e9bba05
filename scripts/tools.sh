#!/bin/sh
# Says in plain words what is missing of Rust and Node, which come from their own makers: tools.sh rust | node
set -eu
case "${1-}" in
    rust)
        command -v cargo >/dev/null 2>&1 || {
            echo 'Rust is missing: install it with rustup, or from your system, then try again.' >&2
            exit 1
        } ;;
    node)
        command -v npm >/dev/null 2>&1 || {
            echo 'Node is missing: version 20.19 or later, with npm, builds the screens.' >&2
            exit 1
        }
        node -e 'const [a, b] = process.versions.node.split(".").map(Number); process.exit(a > 20 || (a === 20 && b >= 19) ? 0 : 1)' || {
            echo "Node $(node --version) is too old: the screens want version 20.19 or later." >&2
            exit 1
        } ;;
    *) echo 'tools.sh rust | node' >&2; exit 2 ;;
esac
