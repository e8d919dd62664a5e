# Sourced by the scripts beside it: makes .venv in the repository once, installed anew when pyproject.toml has changed.
# $1 is the extra to install with the program ("" or "[test]").

beltcue_venv() {
    local extra="$1" python="" candidate
    local stamp=".venv/beltcue-installed${extra}"
    if [[ -e "$stamp" && ! pyproject.toml -nt "$stamp" ]]; then
        return
    fi
    for candidate in python3.13 python3.12 python3.11 python3; do
        if command -v "$candidate" >/dev/null && "$candidate" -c 'import sys, venv, ensurepip; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then
            python="$candidate"
            break
        fi
    done
    if [[ -z "$python" ]]; then
        echo "Python 3.11 or newer with venv is needed: on Debian or Ubuntu, apt-get install python3 python3-venv" >&2
        exit 2
    fi
    echo "setting up .venv with $("$python" --version) …" >&2
    [[ -x .venv/bin/python ]] || "$python" -m venv .venv
    .venv/bin/python -m pip install --quiet --disable-pip-version-check -e ".${extra}" >&2
    touch "$stamp"
}
