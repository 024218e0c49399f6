#!/usr/bin/env bash
# Makes the four lock files anew from pyproject.toml and build.in, with hashes and without any
# index address. Versions that still fit are kept; `--upgrade` takes the newest.
#     pip install pip-tools && bash deploy/renew_locks.sh [--upgrade]
set -euo pipefail
cd "$(dirname "$0")/.."

lock() { # FILE COMMENT ARGUMENTS...
    local file="deploy/$1" comment="$2"
    shift 2
    pip-compile --quiet --generate-hashes --strip-extras --no-header --no-emit-options \
        --no-emit-index-url --no-emit-find-links --no-emit-trusted-host \
        --output-file "$file" "$@" >/dev/null
    if grep -n '://' "$file"; then
        echo "$file: an address; name packages only in pyproject.toml, not the project itself" >&2
        exit 1
    fi
    sed -i '/^# Made by /,/^$/d' "$file"
    printf '# Made by deploy/renew_locks.sh: %s. Not to be edited.\n\n%s\n' \
        "$comment" "$(cat "$file")" >"$file"
    echo "$file: $(grep -c '==' "$file") packages"
}

lock requirements.lock "what the program runs on" "$@" pyproject.toml
lock requirements-test.lock "the same, and what its tests need" --extra test "$@" pyproject.toml
lock requirements-parquet.lock "the same, and what Parquet needs" --extra parquet "$@" \
    --constraint deploy/requirements-test.lock pyproject.toml
lock build.lock "what builds the package" "$@" deploy/build.in
