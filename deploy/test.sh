#!/usr/bin/env bash
# Everything that must hold, from a fresh clone: bash deploy/test.sh [arguments for pytest]
# Makes .venv-test (or uses LOOPWITNESS_VENV), checks style, types and import layers, then runs all
# tests, two files at a time: many wait for a server or a browser. As root it installs the
# Debian packages that the tests need; otherwise it says which are missing. Nothing is skipped.
set -euo pipefail
script=test.sh
cd "$(dirname "$0")/.."
source deploy/steps.sh
# Debian keeps mosquitto where only root looks.
export PATH="$PATH:/usr/sbin:/sbin"

# A program on the path -> the Debian package it comes in.
declare -A packages=(
    [mosquitto]=mosquitto
    [mosquitto_pub]=mosquitto-clients
    [victoria-metrics]=victoria-metrics
    [chromium]=chromium
    [systemd-analyze]=systemd
    [docker-compose]=docker-compose
)

missing_packages() {
    local program
    for program in "${!packages[@]}"; do
        command -v "$program" >/dev/null || echo "${packages[$program]}"
    done | sort
    "$python" -c 'import venv, ensurepip' 2>/dev/null || echo python3-venv
}

# Debian starts a service as soon as it is installed, unless this file says no. The tests bring up
# their own servers on free ports.
policy=/usr/sbin/policy-rc.d
forbid_services() {
    if [[ ! -e $policy ]]; then
        trap 'rm -f "$policy"' EXIT
        printf '#!/bin/sh\nexit 101\n' >"$policy"
        chmod 755 "$policy"
    fi
}
allow_services() {
    if [[ -n $(trap -p EXIT) ]]; then
        rm -f "$policy"
        trap - EXIT
    fi
}

debian_packages() {
    local missing log
    missing=$(missing_packages | tr '\n' ' ')
    missing=${missing% }
    [[ -n $missing ]] || return 0
    if [[ $(id -u) != 0 ]] || ! command -v apt-get >/dev/null; then
        stop_with "the tests need what is not here: $missing (as root: apt-get install $missing)"
    fi
    say "installing Debian packages: $missing"
    log=$(mktemp)
    forbid_services
    if ! apt update >>"$log" || ! apt install -y --no-install-recommends "$missing" >>"$log"; then
        stop_with "apt-get failed: $(grep -E '^[EW]: ' "$log" | head -1 | cut -c1-200)" \
            "(is there a network? details in $log)"
    fi
    allow_services
    missing=$(missing_packages | tr '\n' ' ')
    [[ -z $missing ]] || stop_with "installed, but still not found: $missing"
    rm -f "$log"
}

apt() {
    # shellcheck disable=SC2086 # a list of packages is several words
    DEBIAN_FRONTEND=noninteractive apt-get -qq -o Acquire::Retries=1 -o Acquire::http::Timeout=30 \
        $* 2>&1 </dev/null
}

failed=()
check() { # NAME COMMAND...
    local name=$1
    say "checking $name"
    shift
    "$@" || failed+=("$name")
}

folder=${LOOPWITNESS_VENV:-.venv-test}
find_python
debian_packages
venv "$folder"
install "$folder" "[test]" deploy/requirements-test.lock deploy/build.lock
bin=$folder/bin
# What a person has set for a real gateway is none of the tests' business.
for name in "${!LOOPWITNESS_@}"; do unset "$name"; done

check "style" "$bin/ruff" check --quiet gateway tests deploy
check "format" "$bin/ruff" format --check --quiet gateway tests deploy
check "types" "$bin/mypy"
check "import layers" "$bin/lint-imports" --no-logo
if ((${#failed[@]})); then
    say "NOT PASSED: ${failed[*]} (the tests run all the same; this script will end with 1)"
fi
say "running all tests, two files at a time"
code=0
"$bin/python" -m pytest --numprocesses=2 --dist=loadscope --no-loadscope-reorder \
    --continue-on-collection-errors --durations=10 "$@" || code=$?
if ((code == 0 && ${#failed[@]} > 0)); then
    code=1
fi
exit "$code"
