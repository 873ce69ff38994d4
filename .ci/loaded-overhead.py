#!/usr/bin/env python3
"""Times a recipe with everything linked and with every stage loaded from shared libraries.

    cargo build --release --workspace --examples --bins
    .ci/loaded-overhead.py target/release CLIP [RECIPE] [ROUNDS] [--processor] [--cached]

The two take turns; the best of the rounds counts. Loaded may cost 5 % more. Program and libraries are copied anew for
every round: where a file's pages come to lie in memory alone moves a run's time by a tenth, for as long as the copy
lives. With --processor the processor's time is judged instead of the clock's: other work on the machine disturbs it
less. Without a cache every run hashes the program, the libraries and the clip, and looks into the libraries; with
--cached that is remembered, as from the second run of a program on, and only the results are thrown away between the
rounds.
"""

import os
import pathlib
import shutil
import statistics
import subprocess
import sys
import tempfile
import time


def timed(command):
    """Seconds by the clock and of the processor, those of its own children included."""
    began = time.monotonic()
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    _, status, used = os.wait4(process.pid, 0)
    assert status == 0, f"{command} failed"
    return time.monotonic() - began, used.ru_utime + used.ru_stime


def copied(build, program, plugins):
    """Writes new copies of the program and of every stage's library."""
    shutil.rmtree(plugins, ignore_errors=True)
    plugins.mkdir(mode=0o755)
    # Cargo leaves each library by its name and again with a hash.
    for library in (build / "examples").glob("*stillair_*_plugin.*"):
        if library.suffix in (".so", ".dylib", ".dll"):
            shutil.copy(library, plugins)
    program.unlink(missing_ok=True)
    shutil.copy(build / "stillair", program)


def main():
    plain = [argument for argument in sys.argv[1:] if not argument.startswith("--")]
    build, clip = pathlib.Path(plain[0]).resolve(), pathlib.Path(plain[1]).resolve()
    recipe = plain[2] if len(plain) > 2 else "planet-colour"
    rounds = int(plain[3]) if len(plain) > 3 else 10
    with tempfile.TemporaryDirectory() as folder:
        here = pathlib.Path(folder)
        plugins, program = here / "plugins", here / "stillair"
        ways = {"linked": [], "loaded": ["--no-linked", "--plugin-path", str(plugins)]}
        cached = "--cached" in sys.argv
        times = {way: [] for way in ways}
        for _ in range(rounds):
            copied(build, program, plugins)
            if cached:
                # What was written a moment ago is not remembered.
                time.sleep(3)
            for way, arguments in ways.items():
                cache = ["--cache", str(here / way)] if cached else ["--no-cache"]
                command = [str(program), "run", recipe, str(clip), *cache, "--out", str(here / "runs"), *arguments]
                # With a cache, a first run is for remembering.
                for _ in range(1 + cached):
                    taken = timed(command)
                    shutil.rmtree(here / "runs")
                    if cached:
                        shutil.rmtree(here / way / "results")
                times[way].append(taken)
        extras = []
        for kind, name in enumerate(["clock", "processor"]):
            best = {way: min(pair[kind] for pair in pairs) for way, pairs in times.items()}
            extras.append(100 * (best["loaded"] / best["linked"] - 1))
            middle = {way: statistics.median(pair[kind] for pair in pairs) for way, pairs in times.items()}
            print(
                f"{name}: linked {best['linked']:.3f} s, loaded {best['loaded']:.3f} s: {extras[-1]:+.1f} % "
                f"(middle of the rounds {100 * (middle['loaded'] / middle['linked'] - 1):+.1f} %)"
            )
        return 1 if extras["--processor" in sys.argv] > 5 else 0


if __name__ == "__main__":
    sys.exit(main())
