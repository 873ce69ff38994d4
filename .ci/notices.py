"""Writes THIRD-PARTY.md from cargo's own list of what the command is built from; --check fails where it drifted."""
import json
import pathlib
import subprocess
import sys

ROOT = pathlib.Path(__file__).resolve().parent.parent
PAGE = ROOT / "THIRD-PARTY.md"
SOFA = """
The crate `sofars` is derived from the SOFA software of the International Astronomical Union. Stillair uses routines
and computations derived from software provided by SOFA under license, and does not itself constitute software
provided by and/or endorsed by SOFA.
"""


def tree() -> list[str]:
    command = ["cargo", "tree", "--locked", "--workspace", "--edges", "normal,build", "--prefix", "none",
               "--target", "all", "--format", "{p}\t{l}"]
    lines = subprocess.run(command, cwd=ROOT, check=True, capture_output=True, text=True).stdout.splitlines()
    found = set()
    for line in lines:
        package, licence = (line.split("\t") + [""])[:2]
        name = package.split(" ")[0]
        if not name or name.startswith("stillair") or "(" in package.replace("(proc-macro)", "").replace("(*)", ""):
            continue
        version = package.split(" ")[1].lstrip("v")
        found.add(f"| {name} {version} | {licence.replace(' (*)', '')} |")
    return sorted(found, key=str.lower)


def page() -> str:
    return "\n".join([
        "# Third-party notices", "",
        "Stillair is built from these crates. Their licence texts stand in their packages.", "",
        "| crate | licence |", "| --- | --- |", *tree(), SOFA,
    ])


if __name__ == "__main__":
    wanted = page()
    if "--check" in sys.argv:
        if not PAGE.exists() or PAGE.read_text() != wanted:
            sys.exit("THIRD-PARTY.md is out of date: run python3 .ci/notices.py")
    else:
        PAGE.write_text(wanted)
