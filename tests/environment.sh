# Sourced by tests/run and demo/run: makes .venv with pip alone and re-uses it while nothing has changed.
# usage: . tests/environment.sh; environment EXTRAS   (for example: environment test,demo)

find_python() {
    for candidate in ${RICASSO_PYTHON:-} python3 python3.13 python3.12 python3.11; do
        if "$candidate" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then
            echo "$candidate"
            return 0
        fi
    done
    echo "Python 3.11 or newer is needed; name one with RICASSO_PYTHON=/path/to/python3" >&2
    return 1
}

# The search of plans is compiled here and not by several processes at their start; a second where it is already.
environment() {
    installed "$1"
    .venv/bin/python -c "from layout.plan.planner import prepare; prepare()"
}

installed() {
    extras=$1
    python=$(find_python) || exit 1
    # Other extras than those of the last time, another Python or another pin: made up to date.
    mark=$( { cat pyproject.toml constraints.txt; "$python" -V; pwd; } | cksum | tr -d ' ')
    for known in "$extras" test,demo; do
        if [ -f .venv/made ] && [ "$(cat .venv/made)" = "$known $mark" ]; then
            return 0
        fi
    done
    echo "making .venv for [$extras] (a few minutes the first time)" >&2
    if [ ! -x .venv/bin/python ]; then
        "$python" -m venv .venv || {
            echo "could not make .venv; on Debian and Ubuntu: apt-get install python3-venv" >&2
            exit 1
        }
    fi
    rm -f .venv/made
    from_the_lock
    .venv/bin/python -m pip install --quiet --quiet --disable-pip-version-check --constraint constraints.txt \
        --editable ".[$extras]" >&2
    echo "$extras $mark" >.venv/made
}

# What runs, by its hashes; what tests need besides comes by its release alone. Where the lock has no file for
# this machine the rest goes on without, and that is said; a file that is another than the locked one is an end.
from_the_lock() {
    said=$(mktemp)
    if .venv/bin/python -m pip install --quiet --disable-pip-version-check --require-hashes \
        --requirement requirements.lock >"$said" 2>&1; then
        rm -f "$said"
        return 0
    fi
    cat "$said" >&2
    if grep -q "DO NOT MATCH THE HASHES" "$said"; then
        rm -f "$said"
        echo "what came is not what requirements.lock names: nothing more is installed" >&2
        exit 1
    fi
    rm -f "$said"
    echo "!! NOT DONE: the lock can't be installed on this machine; packages come by their releases, unhashed" >&2
}
