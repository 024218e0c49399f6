#!/usr/bin/env bash
# The demo, from a fresh clone to a running page: bash deploy/demo.sh [--port N] [--for SECONDS] ...
# Ctrl-C stops it. LOOPWITNESS_VENV names another folder for the virtual environment than .venv.
set -euo pipefail
script=demo.sh
cd "$(dirname "$0")/.."
source deploy/steps.sh

folder=${LOOPWITNESS_VENV:-.venv}
find_python
venv "$folder"
install "$folder" "" deploy/requirements.lock deploy/build.lock
say "starting; Ctrl-C stops it"
exec "$folder/bin/loopwitness" demo "$@"
