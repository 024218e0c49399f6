# Steps that demo.sh and test.sh share; to be sourced. Each says in one line what it does, and ends
# the script with one line when it cannot. `script` is the name in front of those lines.
# shellcheck shell=bash

say() { printf '%s: %s\n' "$script" "$*" >&2; }

stop_with() {
    say "$*"
    exit 1
}

# Sets `python` to a Python that can run the program: $LOOPWITNESS_PYTHON, or one on the path.
find_python() {
    local candidate
    for candidate in "${LOOPWITNESS_PYTHON:-}" python3 python3.14 python3.13 python3.12 python3.11; do
        if [[ -n $candidate ]] &&
            "$candidate" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then
            python=$candidate
            return
        fi
    done
    stop_with "no Python 3.11 or newer found (apt-get install python3, or set LOOPWITNESS_PYTHON)"
}

# venv FOLDER: makes a virtual environment unless there is one that works.
venv() {
    if "$1/bin/python" -m pip --version >/dev/null 2>&1; then
        return
    fi
    say "making a virtual environment in $1"
    "$python" -c 'import venv, ensurepip' 2>/dev/null ||
        stop_with "$python has no venv module (as root: apt-get install python3-venv)"
    local said
    said=$("$python" -m venv --clear "$1" 2>&1) ||
        stop_with "no virtual environment could be made in $1: $(tail -1 <<<"$said")"
}

# install FOLDER EXTRAS LOCK...: locked packages, then the project in place; skipped when nothing
# changed since the last time. EXTRAS is "" or "[name]".
install() {
    local folder=$1 extras=$2 stamp
    shift 2
    stamp=$(cat pyproject.toml deploy/build_assets.py deploy/web-assets/* "$@" | sha256sum)
    if [[ $(cat "$folder/loopwitness.installed" 2>/dev/null) == "$stamp" &&
        -x $folder/bin/loopwitness ]]; then
        say "packages are installed already"
        return
    fi
    rm -f "$folder/loopwitness.installed"
    local locks=() lock
    for lock in "$@"; do locks+=(-r "$lock"); done
    say "installing packages (the first time takes a minute or two)"
    pip_or_stop "$folder" --require-hashes "${locks[@]}"
    say "installing the program and what its pages need"
    pip_or_stop "$folder" --no-deps --no-build-isolation -e ".$extras"
    echo "$stamp" >"$folder/loopwitness.installed"
}

# pip_or_stop FOLDER ARGUMENTS...: pip install, quiet; its words go to a file.
pip_or_stop() {
    local folder=$1 log=$1/pip.log
    shift
    if "$folder/bin/python" -m pip install --quiet --disable-pip-version-check --no-input \
        --retries 1 "$@" >"$log" 2>&1; then
        return
    fi
    if grep -qiE 'NewConnectionError|Name or service|name resolution|Network is unreachable|Max retries|ConnectTimeout|connection (refused|broken)|ENOTFOUND|EAI_AGAIN|ECONNREFUSED|registry cannot be reached' "$log"; then
        stop_with "no network: packages cannot be fetched (details in $log)"
    fi
    stop_with "packages cannot be installed: $(grep -iE '^ *error' "$log" | tail -1 | cut -c1-200) (details in $log)"
}
