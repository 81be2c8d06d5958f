#!/usr/bin/env bash
# Builds a Windows Python under Wine and installs this checkout's nightferry in it, for the tests beside it.
#
#   make_rig.sh [DEST]        DEST is by default $NIGHTFERRY_RIG, else nightferry-rig in the temporary folder
#
# For Debian 12 with Python 3.11 as `python3` (or $PYTHON); takes the rest from apt (as root) and pip, in about
# a minute. Called again it does only what has changed since. It leaves in DEST
#   nightferry ARGUMENT…   runs the installed program (nightferry.exe) under Wine, with its exit code
#   python ARGUMENT…       the same Python: `DEST/python -m pytest …`
#   cmd ARGUMENT…          a command line of Wine's cmd: `DEST/cmd 'd:\night.bat'`
#   volumes/d … volumes/h  what the letters lead to: D: is fixed, E:, F: and H: are removable, G: is on a network
#   prefix, py, wheels     Wine's own folder, the Python, what was downloaded
# Z: is this machine's `/`. The user's own folder, %USERPROFILE%, is DEST/prefix/drive_c/users/<name>.
set -euo pipefail

checkout=$(cd "$(dirname "$(readlink -f "$0")")/../.." && pwd)
dest=${1:-${NIGHTFERRY_RIG:-${TMPDIR:-/tmp}/nightferry-rig}}
mkdir -p "$dest"
dest=$(cd "$dest" && pwd)
wheels=$dest/wheels
host=$dest/host/bin/python
gcc=x86_64-w64-mingw32-gcc
say() { printf '%s  %s\n' "$(date +%T)" "$*" >&2; }

install_tools() {
    if ! command -v wine >/dev/null || ! command -v $gcc >/dev/null; then
        say "installing Wine and a compiler for Windows"
        apt-get update -q >/dev/null
        DEBIAN_FRONTEND=noninteractive apt-get install -qy --no-install-recommends \
            wine wine64 gcc-mingw-w64-x86-64 >/dev/null
    fi
    "${PYTHON:-python3}" -c 'import sys; assert sys.version_info[:2] == (3, 11), "python3 has to be 3.11"'
    "${PYTHON:-python3}" -m venv --clear "$dest/host"
}

# A copy is built, so that the checkout stays as it is.
build_program() {
    local copy
    copy=$(mktemp -d)
    tar -C "$checkout" -cf - pyproject.toml README.md transfer manifests | tar -C "$copy" -xf -
    mkdir -p "$wheels"
    rm -f "$wheels"/nightferry-*.whl
    "$host" -m pip wheel -qq --disable-pip-version-check --no-deps -w "$wheels" "$copy"
    rm -rf "$copy"
}

# numpy: from 1.25 on it wants functions of the C runtime that Wine 8 lacks; astropy: the last that takes it.
# colorama, tzdata: what packages want on Windows alone is not seen from here. bagit comes as source alone.
# pyongc asks for a newer numpy, and does without. panda3d carries the DLLs of the official CPython 3.11 for
# Windows, for programs that it freezes.
download() {
    say "downloading"
    "$host" -m pip wheel -qq --disable-pip-version-check --no-deps -w "$wheels" 'bagit>=1.9'
    fetch --find-links "$wheels" "$wheels"/nightferry-*.whl 'numpy==1.24.4' 'astropy==6.1.7' \
        colorama tzdata pip pytest hypothesis bagit 'jinja2>=3.1' 'pillow>=10.3'
    fetch --no-deps 'pyongc>=1.2' 'sep>=1.4' 'panda3d==1.10.16'
}

fetch() {
    "$host" -m pip download -qq --disable-pip-version-check -d "$wheels" --platform win_amd64 \
        --python-version 3.11 --implementation cp --only-binary=:all: "$@"
}

make_python() {
    say "putting Python together"
    rm -rf "$dest/py"
    mkdir -p "$dest/py/DLLs" "$dest/py/Lib/site-packages"
    "$host" - "$wheels" "$dest/py" <<'PY'
import pathlib, shutil, sys, sysconfig, zipfile

wheels, py = map(pathlib.Path, sys.argv[1:])
at_top = {"python311.dll", "VCRUNTIME140.dll"}
with zipfile.ZipFile(next(wheels.glob("panda3d-*.whl"))) as wheel:
    for name in wheel.namelist():
        folder, _, file = name.rpartition("/")
        if folder == "deploy_libs" and not file.startswith("api-ms-"):  # those are Wine's own
            (py / ("" if file in at_top else "DLLs") / file).write_bytes(wheel.read(name))
# The library is the same on every system, but for what is compiled.
left = shutil.ignore_patterns(
    "site-packages", "dist-packages", "lib-dynload", "config-*", "test", "tests", "idlelib",
    "turtledemo", "lib2to3", "_sysconfigdata*", "ensurepip", "EXTERNALLY-MANAGED", "__pycache__",
)
shutil.copytree(sysconfig.get_path("stdlib"), py / "Lib", ignore=left, dirs_exist_ok=True)
PY
    cat >"$dest/py/python.c" <<'C'
#include <windows.h>
typedef int (*Main)(int, wchar_t **);
int wmain(int argc, wchar_t **argv) {
    HMODULE m = LoadLibraryW(L"python311.dll");
    return m ? ((Main)(void *)GetProcAddress(m, "Py_Main"))(argc, argv) : 127;
}
C
    $gcc -O1 -s -municode -o "$dest/py/python.exe" "$dest/py/python.c"
    # python3.dll, which some packages link to, passes every name on to python311.dll.
    {
        printf 'LIBRARY python3\nEXPORTS\n'
        "${gcc%gcc}objdump" -p "$dest/py/python311.dll" |
            awk '/Ordinal\/Name Pointer/ {on = 1; next} NF == 0 {on = 0} on {print $NF "=python311." $NF}'
    } >"$dest/py/python3.def"
    printf 'int DllMain(void *a, unsigned b, void *c) { return 1; }\n' >"$dest/py/empty.c"
    $gcc -shared -nostdlib -e DllMain -o "$dest/py/python3.dll" "$dest/py/empty.c" "$dest/py/python3.def"
    rm "$dest/py"/*.c "$dest/py/python3.def"
}

# In a shell of its own: what is set for Windows' Python must not reach this machine's, which would make a folder
# "C:\pycache" wherever it is started.
make_wines_folder() (
    say "making Wine's folder"
    rm -rf "$dest/prefix"
    # No window, no offer to download a browser or .NET.
    cat >"$dest/env" <<SH
export WINEPREFIX='$dest/prefix' WINEDEBUG=\${WINEDEBUG:--all} WINEARCH=win64 LC_ALL=C.UTF-8
export WINEDLLOVERRIDES='mscoree,mshtml,winemenubuilder.exe=' PYTHONPYCACHEPREFIX='C:\pycache'
unset DISPLAY WAYLAND_DISPLAY
SH
    . "$dest/env"
    wine wineboot --init >/dev/null 2>&1 </dev/null
    # The user's Documents, Desktop, … are made as links to this machine's home folder: real folders instead.
    find "$WINEPREFIX/drive_c/users" -maxdepth 2 -type l -print0 | while IFS= read -r -d '' link; do
        rm "$link" && mkdir "$link"
    done
    letter c "$dest/prefix/drive_c"
    letter z /
    letter d "$dest/volumes/d" hd
    letter e "$dest/volumes/e" floppy
    letter f "$dest/volumes/f" floppy
    letter g "$dest/volumes/g" network
    letter h "$dest/volumes/h" floppy
    wineserver -k || true # letters are seen when Wine (this rig's) starts again
    wineserver -w
)

# A letter is a link. Wine also says that a volume's own name is \\?\Volume{…XX}\, XX being the letter's code,
# but finds it only where there is a link of that name. A removable drive needs a device, whatever it is.
letter() {
    local links=$WINEPREFIX/dosdevices kind=${3:-}
    mkdir -p "$2"
    ln -sfn "$2" "$links/$1:"
    ln -sfn "$2" "$links/volume{00000000-0000-0000-0000-0000000000$(printf %x "'${1^}")}"
    if [ "$kind" = floppy ]; then ln -sfn /dev/null "$links/$1::"; fi
    if [ -n "$kind" ]; then
        wine reg add 'HKLM\Software\Wine\Drives' /v "$1:" /d "$kind" /f >/dev/null 2>&1 </dev/null
    fi
}

# Wine 8 gives no facts of a standard stream that is a plain file, and Python does not start without: a pipe
# goes between.
make_starters() {
    cat >"$dest/run" <<'SH'
#!/usr/bin/env bash
. "$(dirname "$(readlink -f "$0")")/env"
if [ -f /dev/stdin ]; then exec < <(cat); fi
if [ -f /dev/stderr ]; then exec 2> >(cat >&2); errors=$!; fi
if [ -t 1 ]; then exec wine "$@"; fi
wine "$@" | cat
code=${PIPESTATUS[0]}
exec 2>&-
[ -z "${errors:-}" ] || wait "$errors"
exit "$code"
SH
    starter python "'$dest/py/python.exe'"
    starter nightferry "'$dest/py/Scripts/nightferry.exe'"
    starter cmd "cmd /c"
    chmod +x "$dest"/{run,python,nightferry,cmd}
}

starter() { printf '#!/usr/bin/env bash\nexec %q %s "$@"\n' "$dest/run" "$2" >"$dest/$1"; }

# Packages are unpacked from here, which is quick; the program itself is installed by pip on Windows.
install_packages() {
    say "installing packages"
    (
        cd "$wheels"
        # shellcheck disable=SC2046
        "$host" -m pip install -qq --disable-pip-version-check --no-index --no-deps \
            --target "$dest/py/Lib/site-packages" --platform win_amd64 --python-version 3.11 \
            --implementation cp --only-binary=:all: $(ls -- *.whl | grep -v -e ^nightferry- -e ^panda3d-)
    )
    rm -rf "$dest/py/Lib/site-packages/bin"
}

install_program() {
    say "installing nightferry"
    "$dest/python" -m pip install -qq --no-index --no-deps --force-reinstall --no-warn-script-location \
        --disable-pip-version-check "z:$(ls "$wheels"/nightferry-*.whl | tr / '\\')"
}

make_rig() {
    install_tools
    build_program
    download
    make_python
    make_wines_folder
    make_starters
    install_packages
}

make_program() {
    build_program
    install_program
    say "made: $("$dest/nightferry" --version | tr -d '\r')"
}

rig_is_of() { sha256sum <"$0"; }
program_is_of() {
    cd "$checkout"
    { cat pyproject.toml; find transfer manifests -name '*.py' -print0 | sort -z | xargs -0 sha256sum; } | sha256sum
}
made() { [ "$(cat "$dest/$1.made" 2>/dev/null)" = "$("$1_is_of")" ]; }

if ! made rig; then
    rm -f "$dest"/*.made
    make_rig
    rig_is_of >"$dest/rig.made"
fi
if ! made program; then
    make_program
    (program_is_of) >"$dest/program.made"
fi
