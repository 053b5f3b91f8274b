#!/usr/bin/env bash
# Builds the wheel, installs it in an environment of its own and uses it outside the
# checkout: templates and assets must have come along.
set -euo pipefail
python=${1:-python3}
root=$(cd "$(dirname "$0")/.." && pwd)
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
# From a copy: whoever installs the checkout meanwhile builds in it.
mkdir "$work/source"
tar -C "$root" --exclude='*.so' --exclude=__pycache__ -c qc pyproject.toml README.md LICENSE |
    tar -C "$work/source" -x
"$python" -m venv "$work/env"
"$work/env/bin/python" -m pip wheel --quiet --no-deps --wheel-dir "$work/dist" "$work/source"
"$work/env/bin/python" -m pip install --quiet "$work"/dist/*.whl
cd "$work"
"$work/env/bin/qc" --version
compiled=$("$work/env/bin/python" -c "from qc import kernels; print(kernels.compiled)")
echo "passes over planes compiled: $compiled"
# Where there is a compiler, the extension is in the wheel and loads.
if command -v cc >/dev/null 2>&1; then test "$compiled" = True; fi
# With house limits: they name regions, for which more is imported.
"$work/env/bin/qc" take --quiet --limits "$root/sample_media/house.toml" --out "$work/out" \
    "$root/sample_media/take01_clean.mov"
test -s "$work/out/take01_clean/report.html"
test -s "$work/out/take01_clean/result.json"
echo "wheel: 1 passed, 0 failed"
