#!/usr/bin/env python3
"""Holds the committed schemas against an editor's own tools.

    python3 tests/editor/check.py

taplo (PyPI, pinned in requirements.txt) checks every recipe that ships with a `#:schema` line before it, and must
complain of broken ones; its language server (npm, pinned in package.json) must offer methods and keys. Without npm the
second part is left out, and said so. Both are installed into a folder that goes away.
"""

import json
import pathlib
import shutil
import subprocess
import sys
import tempfile
import venv

HERE = pathlib.Path(__file__).resolve().parent
ROOT = HERE.parent.parent
RECIPE = (ROOT / "schema/recipe.schema.json").as_uri()
SESSION = (ROOT / "schema/session.schema.json").as_uri()

BEGIN = 'schema = 1\nname = "x"\n[inputs]\nclip = { type = "frames" }\n'
FOUND = '[step.found]\nuse = "find.disc"\nframes = "@clip"\n'

# Each with a word that the complaint must hold.
BROKEN = {
    "no schema": ('name = "x"\n', "schema"),
    "a key that is none": (BEGIN + "colour = true\n".replace("colour", "colours"), "colours"),
    "a method that is none": (BEGIN + '[step.a]\nuse = "find.disk"\nframes = "@clip"\n', "find.disk"),
    "a key that the method lacks": (BEGIN + FOUND + "power = 2\n", "power"),
    "a number out of range": (
        BEGIN + FOUND + '[step.w]\nuse = "select.fraction"\ntable = "@found"\nkeep = 1.5\n', "1.5"),
    "a word that is no choice": (
        BEGIN + FOUND + '[step.w]\nuse = "select.one"\ntable = "@found"\nwhich = "finest"\n', "finest"),
    "a port without a link": (BEGIN + '[step.found]\nuse = "find.disc"\n', "frames"),
    "a link without its sign": (BEGIN + '[step.found]\nuse = "find.disc"\nframes = "clip"\n', "clip"),
    "a list for one link": (BEGIN + '[step.found]\nuse = "find.disc"\nframes = ["@clip"]\n', "@clip"),
    "a step without a method": (BEGIN + '[step.found]\nframes = "@clip"\n', "use"),
    "a key unknown to all methods": ('schema = 1\nextends = "quick-look"\n[step.sharp]\nsigmma = 2\n', "sigmma"),
    "leaving out of nothing": ('schema = 1\nwithout = ["sharp"]\n', "extends"),
    "a file name that climbs": (
        BEGIN + FOUND + '[step.w]\nuse = "write.csv"\ntable = "@found"\nname = "../up"\n', "../up"),
    "an input of another type": ('schema = 1\n[inputs]\nclip = { type = "image" }\n', "image"),
    "a check without bounds": (BEGIN + FOUND + '[[expect]]\nnumber = "found.frames"\n', "anyOf"),
}
GOOD = {
    "an extension that changes one key": 'schema = 1\nextends = "quick-look"\n[step.sharp]\nsigma = 2\n',
    "a list of links": BEGIN + FOUND
    + '[step.m]\nuse = "align.centroid"\nframes = "@clip"\ntable = "@found"\n'
    + '[step.s]\nuse = "stack.mean"\nframes = "@clip"\ntable = "@found"\nmotion = ["@m"]\n',
    "a variant": 'schema = 1\nextends = "quick-look"\n[variant.few.chosen]\nkeep = 0.05\n',
}
SESSIONS = {"[telescope]\naperture_mm = 105\n": True, "[telescope]\naperture_mm = 1\n": False,
            "[telescope]\naperture_inch = 4\n": False, '[mount]\nkind = "Dobson"\n': False}


def lint(taplo, place, text, schema):
    """taplo's verdict on a text with a schema line, and its words."""
    file = place / "recipe.toml"
    file.write_text(f"#:schema {schema}\n{text}")
    done = subprocess.run([taplo, "lint", "--no-auto-config", str(file)], capture_output=True, text=True)
    return done.returncode == 0, done.stdout + done.stderr


def lint_all(taplo, place):
    recipes = sorted([*(ROOT / "pipelines").glob("*.toml"), *(ROOT / "examples").glob("*.toml")])
    assert len(recipes) >= 9, recipes
    for recipe in recipes:
        good, words = lint(taplo, place, recipe.read_text(), RECIPE)
        assert good, f"{recipe}: {words}"
    for what, text in GOOD.items():
        good, words = lint(taplo, place, text, RECIPE)
        assert good, f"{what}: {words}"
    for what, (text, word) in BROKEN.items():
        good, words = lint(taplo, place, text, RECIPE)
        assert not good, f"{what} passes"
        assert word in words, f"{what}: {words}"
    for text, wanted in SESSIONS.items():
        good, words = lint(taplo, place, text, SESSION)
        assert good == wanted, f"{text}: {words}"
    print(f"taplo passes {len(recipes)} recipes and complains of {len(BROKEN)} broken ones")


def complete(place, text):
    """What the language server offers where the text has a `|`."""
    before = text.split("|")[0]
    file = place / "recipe.toml"
    file.write_text(f"#:schema {RECIPE}\n{text.replace('|', '')}")
    line, column = before.count("\n") + 1, len(before) - before.rfind("\n") - 1
    command = ["node", str(place / "complete.js"), str(file), str(line), str(column)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=300, cwd=place)
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


def complete_all(place):
    if not (shutil.which("npm") and shutil.which("node")):
        print("npm is not installed: completion was not tried")
        return
    for name in ("package.json", "package-lock.json", "complete.js"):
        shutil.copy(HERE / name, place)
    subprocess.run(["npm", "ci", "--silent", "--no-audit", "--no-fund"], cwd=place, check=True)
    methods = [m["method"] for m in json.loads((ROOT / "schema/catalogue.json").read_text())["methods"]]
    offered = complete(place, BEGIN + '[step.a]\nuse = "|"\n')
    assert {f'"{m}"' for m in methods} <= set(offered), offered
    offered = complete(place, BEGIN + '[step.a]\nuse = "select.fraction"\n|\n')
    assert {"table", "keep"} <= set(offered) and len(offered) == len(set(offered)), offered
    offered = complete(place, "schema = 1\n|\n")
    assert {"name", "summary", "extends", "inputs", "step", "results"} <= set(offered), offered
    offered = complete(place, BEGIN + '[step.a]\nuse = "select.one"\nwhich = "|"\n')
    assert {'"best"', '"median"', '"worst"'} <= set(offered), offered
    print(f"the language server offers {len(methods)} methods, their keys and choices")


def main():
    with tempfile.TemporaryDirectory() as folder:
        place = pathlib.Path(folder)
        venv.create(place / "venv", with_pip=True)
        tools = place / "venv" / ("Scripts" if sys.platform == "win32" else "bin")
        install = [tools / "pip", "install", "--quiet", "--requirement", HERE / "requirements.txt"]
        subprocess.run(install, check=True)
        lint_all(str(tools / "taplo"), place)
        complete_all(place)


if __name__ == "__main__":
    main()
