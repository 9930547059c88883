# Sourced by run-demo and run-tests: makes .venv and installs the project into it.
# shellcheck shell=bash

say() { printf '%s\n' "$*" >&2; }

# A Python that is new enough; PYTHON=/path/to/python overrides the choice.
find_python() {
    local candidate
    for candidate in "${PYTHON:-}" python3 python3.13 python3.12 python3.11; do
        if [ -n "$candidate" ] && "$candidate" -c \
            'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then
            printf '%s\n' "$candidate"
            return
        fi
    done
    say "Python 3.11 or newer is needed; found: $(python3 --version 2>&1 || echo none)"
    exit 2
}

# Debian and Raspberry Pi OS ship Python without what makes virtual environments.
install_venv_package() {
    local as_root=()
    [ "$(id -u)" = 0 ] || as_root=(sudo)
    if ! command -v apt-get >/dev/null; then
        say "This Python cannot make virtual environments; install its venv module and try again."
        exit 2
    fi
    say "Installing python3-venv (virtual environments for Python) ..."
    "${as_root[@]}" apt-get update -qq && "${as_root[@]}" apt-get install -y -qq python3-venv >&2
}

# make_venv EXTRAS: EXTRAS is empty or such as "[test]". Installs again when pyproject.toml changed.
make_venv() {
    local extras=$1 python stamp
    stamp=.venv/.installed$(printf '%s' "$extras" | tr -d '[],')
    [ "$stamp" -nt pyproject.toml ] && return
    python=$(find_python)
    if [ ! -x .venv/bin/python ]; then
        "$python" -c 'import ensurepip, venv' 2>/dev/null || install_venv_package
        say "Making a virtual environment in .venv ..."
        "$python" -m venv .venv
    fi
    say "Installing Halfcycle and what it needs ..."
    .venv/bin/python -m pip install --quiet --disable-pip-version-check -e ".$extras"
    touch "$stamp"
}
