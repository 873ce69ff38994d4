#!/usr/bin/env python3
"""Times a recipe with everything linked and with every stage loaded from shared libraries.

    cargo build --release --workspace --examples --bins
    .ci/loaded-overhead.py target/release CLIP [RECIPE] [ROUNDS]

The two take turns; the best of the rounds counts. Loaded may cost 5 % more.
"""

import pathlib
import shutil
import subprocess
import sys
import tempfile
import time


def main():
    build, clip = pathlib.Path(sys.argv[1]).resolve(), pathlib.Path(sys.argv[2]).resolve()
    recipe = sys.argv[3] if len(sys.argv) > 3 else "planet-colour"
    rounds = int(sys.argv[4]) if len(sys.argv) > 4 else 10
    with tempfile.TemporaryDirectory() as folder:
        here = pathlib.Path(folder)
        plugins = here / "plugins"
        plugins.mkdir(mode=0o755)
        for library in (build / "examples").glob("*stillair_*_plugin.*"):
            if library.suffix in (".so", ".dylib", ".dll"):
                shutil.copy(library, plugins)
        ways = {"linked": [], "loaded": ["--no-linked", "--plugin-path", str(plugins)]}
        times = {way: [] for way in ways}
        for _ in range(rounds):
            for way, arguments in ways.items():
                command = [str(build / "stillair"), "run", recipe, str(clip), "--out", str(here / "runs"), *arguments]
                began = time.monotonic()
                subprocess.run(command, check=True, capture_output=True)
                times[way].append(time.monotonic() - began)
                shutil.rmtree(here / "runs")
        best = {way: min(seconds) for way, seconds in times.items()}
        extra = 100 * (best["loaded"] / best["linked"] - 1)
        print(f"linked {best['linked']:.3f} s, loaded {best['loaded']:.3f} s: {extra:+.1f} %")
        return 1 if extra > 5 else 0


if __name__ == "__main__":
    sys.exit(main())
