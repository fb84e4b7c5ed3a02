#!/usr/bin/env bash
# Runs the suite, or the tests that are named, with a Windows Python under Wine:
#
#     bash tests/hard/wine.sh [PYTEST WORDS...]
#
# It needs Debian's wine, wine64 and gcc-mingw-w64-x86-64-win32, a Python 3.12 whose standard library
# serves (FLANGEBACK_PYTHON312, else python3.12), and PyPI: the wheel of panda3d carries the DLL.
# FLANGEBACK_WINE names a folder to keep what was made; else it is made anew and removed.
# Real camera files are read from FLANGEBACK_CORPUS, else from `shared/corpus` beside the repository.
set -euo pipefail

root=$(cd "$(dirname "$0")/../.." && pwd)
python312=${FLANGEBACK_PYTHON312:-python3.12}
for tool in wine x86_64-w64-mingw32-gcc "$python312"; do
  if ! command -v "$tool" >/dev/null; then
    echo "skipped: there is no $tool here"
    exit 0
  fi
done

place=${FLANGEBACK_WINE:-$(mktemp -d)}
[ -n "${FLANGEBACK_WINE:-}" ] || trap 'wineserver -k 2>/dev/null || true; rm -rf "$place"' EXIT
mkdir -p "$place"
export WINEPREFIX=$place/prefix WINEDEBUG=-all WINEDLLOVERRIDES='mscoree,mshtml='
python=$place/python

make_python() {
  local wheels=$place/wheels libraries=$place/libraries
  local windows=(--only-binary=:all: --no-deps --platform win_amd64 --python-version 3.12)
  "$python312" -m pip download -q "${windows[@]}" -d "$wheels" panda3d
  "$python312" -m zipfile -e "$wheels"/panda3d-*.whl "$libraries"
  mkdir -p "$python/DLLs" "$python/Scripts"
  cp "$libraries"/deploy_libs/*.dll "$python"
  cp "$libraries"/deploy_libs/*.pyd "$python/DLLs"
  rm -rf "$wheels" "$libraries" "$python/DLLs/_wmi.pyd" # It asks Wine for what Wine lacks.
  cp -r "$("$python312" -c 'import sysconfig; print(sysconfig.get_path("stdlib"))')" "$python/Lib"
  rm -rf "$python"/Lib/site-packages "$python"/Lib/lib-dynload "$python"/Lib/test
  x86_64-w64-mingw32-gcc -municode -O2 -s -o "$python/python.exe" "$root/tests/hard/windows_starter.c"
  # What pip would install on Windows: the names come from pyproject, colorama from click and pytest.
  "$python312" - "$root/pyproject.toml" >"$place/needed.txt" <<'PY'
import re, sys, tomllib
project = tomllib.load(open(sys.argv[1], "rb"))["project"]
for line in project["dependencies"] + project["optional-dependencies"]["test"]:
    print(re.sub(r"\s*;.*", "", line))
print("colorama")
PY
  "$python312" -m pip install -q --only-binary=:all: --platform win_amd64 --python-version 3.12 \
    --target "$python/Lib/site-packages" -r "$place/needed.txt"
  # shutil does without CopyFile2 where it isn't.
  echo 'import _winapi; vars(_winapi).pop("CopyFile2", None)' >"$python/Lib/site-packages/sitecustomize.py"
  make_shims
  # Windows looks for libraries beside the program.
  cp -l "$python"/*.dll "$python/python.exe" "$python/Scripts"
  cp -l "$python/python.exe" "$python/Scripts/flangeback.exe"
}

# Two libraries that Wine lacks. It takes `api-ms-...` for its own whatever lies beside it, so numpy
# is told another name of equal length.
make_shims() {
  local shims=$root/tests/hard/windows_shims.c math=abi-ms-win-crt-math-l1-1-0
  mapfile -t modules < <(find "$python/Lib/site-packages/numpy" -name '*.pyd')
  {
    echo EXPORTS
    for module in "${modules[@]}"; do x86_64-w64-mingw32-objdump -p "$module"; done |
      awk '/DLL Name/ { dll = $3 } NF == 3 && dll == "api-ms-win-crt-math-l1-1-0.dll" { print $3 }' |
      sort -u | sed -E '/^c(real|imag)[fl]?$/! s/.*/& = ucrtbase.&/'
  } >"$place/math.def"
  x86_64-w64-mingw32-gcc -shared -O2 -s -fno-builtin -DCOMPLEX -o "$python/$math.dll" "$shims" "$place/math.def"
  sed -i "s/api-ms-win-crt-math-l1-1-0/$math/" "${modules[@]}"
  x86_64-w64-mingw32-gcc -shared -O2 -s -o "$python/bcryptprimitives.dll" "$shims" -ladvapi32
}

# Its drives lead to these two folders and the camera files, and nowhere else on this machine.
make_drives() {
  wineboot -i
  wine winecfg -v win10
  wineserver -w
  rm "$WINEPREFIX/dosdevices/z:"
  ln -s "$place/work" "$WINEPREFIX/dosdevices/r:"
  ln -s "$python" "$WINEPREFIX/dosdevices/p:"
}

[ -e "$python/Lib/site-packages" ] || make_python
[ -e "$WINEPREFIX/dosdevices/p:" ] || make_drives </dev/null 2>&1 | cat
# A copy of the files that git knows, as they are: what is worked on meanwhile doesn't disturb a run.
rm -rf "$place/work"
mkdir -p "$place/work/flangeback"
cd "$root"
git ls-files -z | tar -c --null -T - | tar -x -C "$place/work/flangeback"
export PYTHONPATH='R:\flangeback\src' PYTHONDONTWRITEBYTECODE=1
ln -sfn "${FLANGEBACK_CORPUS:-$root/../shared/corpus}" "$WINEPREFIX/dosdevices/q:"
export FLANGEBACK_CORPUS='Q:\'
cd "$place/work/flangeback"
if [ "${1:-}" = --python ]; then
  words=("${@:2}")
else
  words=(-m pytest -q -p no:cacheprovider "$@")
fi
# Wine hands on pipes but not every file.
wine 'P:\python.exe' "${words[@]}" </dev/null 2>&1 | cat
