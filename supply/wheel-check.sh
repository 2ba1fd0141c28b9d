#!/usr/bin/env bash
# Build the packages from a clean export, install the wheel where there is no source tree, and run the sample from it.
# Usage: supply/wheel-check.sh PYTHON, a whole path, which has the packages of requirements.lock. CORES: how many the
# sample may use.
set -euo pipefail
cd "$(dirname "$0")/.."
python=$1
unset PYTHONPATH

work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
mkdir "$work/tree" "$work/dist" "$work/sources" "$work/again" "$work/campaign" "$work/checks" "$work/elsewhere"

# The files that git knows, as they stand now.
git ls-files -z | tar --null -T - -cf - | tar -xf - -C "$work/tree"

(cd "$work/tree" && "$python" -m hatchling build -d "$work/dist" > /dev/null)

# The source distribution must be enough to build the same wheel.
tar -xzf "$work"/dist/*.tar.gz -C "$work/sources" --strip-components 1
(cd "$work/sources" && "$python" -m hatchling build -t wheel -d "$work/again" > /dev/null)
cmp "$work"/dist/*.whl "$work"/again/*.whl

"$python" -m venv "$work/venv"
pip=("$work/venv/bin/python" -m pip --disable-pip-version-check)
"${pip[@]}" install --quiet --require-hashes -r requirements.lock
"${pip[@]}" install --quiet --no-deps "$work"/dist/*.whl
"${pip[@]}" check

# The wheel holds the package and the workflow within it as they stand, and no more.
site=$("$work/venv/bin/python" -c 'import sysconfig; print(sysconfig.get_path("purelib"))')
diff -r -x __pycache__ -x _workflow "$work/tree/src/tapeline" "$site/tapeline"
diff -r "$work/tree/workflow" "$site/tapeline/_workflow/workflow"
cmp "$work/tree/Snakefile" "$site/tapeline/_workflow/Snakefile"

cp -R "$work/tree/config" "$work/tree/data-sample" "$work/campaign"
cp tests/workflow/content_marks.py tests/workflow/content_marks.json "$work/checks"
rm -rf "$work/tree" "$work/sources"
cd "$work/elsewhere"

# Status 3 says that recordings were left out: one of the sample's is cut, on purpose.
status=0
"$work/venv/bin/tapeline" run "$work/campaign" --cores "${CORES:-2}" > "$work/run.log" 2>&1 || status=$?
if [ "$status" -ne 3 ]; then
    cat "$work/run.log" >&2
    echo "the sample, run from the wheel, ended with status $status; 3 was expected" >&2
    exit 1
fi
"$work/venv/bin/python" "$work/checks/content_marks.py" --check "$work/campaign/results"
echo "the sample, run from the wheel, gives the expected tables"
