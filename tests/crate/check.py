#!/usr/bin/env python3
"""Holds run folders to the Provenance Run Crate profile (Workflow Run RO-Crate 0.5).

    python3 tests/crate/check.py RUN...

The first call makes a folder with roc-validator (PyPI, pinned in requirements.txt) that goes away, and calls itself
there. The validator may connect to nothing: contexts come from this folder, its profiles from its package.
"""

import copy
import io
import json
import pathlib
import shutil
import socket
import subprocess
import sys
import tempfile
import venv

HERE = pathlib.Path(__file__).resolve().parent
CONTEXTS = {"https://w3id.org/ro/crate/1.1/context": HERE / "context-1.1.jsonld"}


def offline():
    """Answers every request from this folder; nothing leaves."""
    import requests
    from rocrate_validator.utils import document_loader

    def local(self, request, **settings):
        response = requests.Response()
        response.request, response.url = request, request.url
        context = CONTEXTS.get(request.url)
        response.status_code = 200 if context else 404
        response.headers["Content-Type"] = "application/ld+json"
        response.raw = io.BytesIO(context.read_bytes() if context else b"")
        return response

    def refused(self, address):
        raise OSError(f"a connection to {address} was tried")

    requests.adapters.HTTPAdapter.send = local
    document_loader._fetch_json_ld = lambda url: json.loads(CONTEXTS[url].read_text())
    socket.socket.connect = socket.socket.connect_ex = refused


def issues(folder, severity):
    """What is wrong with a crate."""
    from rocrate_validator import models, services

    settings = services.ValidationSettings(
        rocrate_uri=str(folder),
        profile_identifier="provenance-run-crate",
        requirement_severity=getattr(models.Severity, severity),
        abort_on_first=False,
        no_cache=True,
    )
    result = services.validate(settings)
    return [f"{issue.check.identifier}: {issue.message} ({issue.violatingEntity})" for issue in result.get_issues()]


# A crate with one of these taken away must not pass: the validator is at work.
BREAKS = {
    "no workflow": lambda graph: graph["./"].pop("mainEntity"),
    "no profile": lambda graph: graph["./"].pop("conformsTo"),
    "no tools": lambda graph: graph["recipe.toml"].pop("hasPart"),
    "a step without its tool": lambda graph: next(
        e for e in graph.values() if e["@type"] == "HowToStep").pop("workExample"),
    "a run without its workflow": lambda graph: graph["#run"].pop("instrument"),
    "an organizer of nothing": lambda graph: graph["#organize"].pop("object"),
}


def broken(run, place):
    """Copies of a run folder's crate with something missing."""
    whole = json.loads((run / "ro-crate-metadata.json").read_text())
    for number, (what, take) in enumerate(BREAKS.items()):
        crate = copy.deepcopy(whole)
        take({entity["@id"]: entity for entity in crate["@graph"]})
        folder = place / str(number)
        shutil.copytree(run, folder)
        (folder / "ro-crate-metadata.json").write_text(json.dumps(crate))
        yield what, folder


def check(runs):
    offline()
    for run in runs:
        found = issues(run, "REQUIRED")
        assert not found, "\n".join([str(run), *found])
        # Every named file of the crate is there, and every file of the folder is named.
        graph = json.loads((run / "ro-crate-metadata.json").read_text())["@graph"]
        named = {part["@id"] for part in next(e for e in graph if e["@id"] == "./")["hasPart"]}
        there = {str(p.relative_to(run)) for p in run.rglob("*") if p.is_file()} - {"ro-crate-metadata.json"}
        assert named == there, (named, there)
        advice = sorted(set(issues(run, "RECOMMENDED")))
        print(f"{run.name} is a Provenance Run Crate; {len(advice)} recommendations are not followed")
        for line in advice if "--advice" in sys.argv else []:
            print("  " + line)
    with tempfile.TemporaryDirectory() as place:
        for what, folder in broken(runs[0], pathlib.Path(place)):
            assert issues(folder, "REQUIRED"), f"{what}: it passes"
    print(f"{len(BREAKS)} broken crates do not pass")


def main():
    runs = [pathlib.Path(name).resolve() for name in sys.argv[1:] if not name.startswith("--")]
    if "--inside" in sys.argv:
        return check(runs)
    with tempfile.TemporaryDirectory() as folder:
        venv.create(folder, with_pip=True)
        tools = pathlib.Path(folder) / ("Scripts" if sys.platform == "win32" else "bin")
        install = [tools / "pip", "install", "--quiet", "--requirement", HERE / "requirements.txt"]
        subprocess.run(install, check=True)
        again = [tools / "python", __file__, "--inside", *sys.argv[1:]]
        sys.exit(subprocess.run(again, check=False).returncode)


if __name__ == "__main__":
    main()
