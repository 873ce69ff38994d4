"""Opens the pages in Chromium and uses them as a person would: by mouse, by keyboard, by screen reader.

    browser.py STILLAIR RUNS AXE_JS

STILLAIR is the command, RUNS a folder with at least two finished runs, AXE_JS the file axe.min.js of axe-core. Needs
playwright for Python and a Chromium of the system (CHROMIUM, else chromium or chromium-browser on the path).
"""

import json
import os
import pathlib
import shutil
import subprocess
import sys
import time

from playwright.sync_api import sync_playwright

stillair, runs, axe = sys.argv[1], pathlib.Path(sys.argv[2]).resolve(), pathlib.Path(sys.argv[3]).read_text()
chromium = os.environ.get("CHROMIUM") or shutil.which("chromium") or shutil.which("chromium-browser")
faults = []


def check(what, holds):
    if not holds:
        faults.append(what)
        print("FAULT:", what)


def comes(page, holds):
    """Whether `holds` comes to be true: the browser tells pages of what changed at its next picture, not at once."""
    until = time.monotonic() + 5
    while not (held := holds()) and time.monotonic() < until:
        page.wait_for_timeout(20)
    return held


def newest(kind):
    found = sorted(p for p in runs.iterdir() if kind in p.name and (p / "report.html").is_file())
    return found[-1]


def watch(page, name):
    page.on("console", lambda m: check(f"{name}: console: {m.text}", m.type not in ("error", "warning")))
    page.on("pageerror", lambda e: check(f"{name}: error: {e}", False))

    def asked(request):
        local = request.url.startswith(("file:", "data:", "blob:", "http://127.0.0.1:"))
        check(f"{name}: asks for {request.url}", local)

    page.on("request", asked)


def accessible(page, name):
    # Injected past the page's policy, as a tester's tool may.
    page.evaluate(axe)
    found = page.evaluate("async () => (await axe.run(document, {resultTypes: ['violations']})).violations")
    for violation in found:
        where = "; ".join(str(n["target"]) for n in violation["nodes"][:3])
        line = f"{name}: axe {violation['impact']}: {violation['id']}: {violation['help']} at {where}"
        if violation["impact"] in ("serious", "critical"):
            check(line, False)
        else:
            print("note:", line)


def open_page(context, address, name):
    page = context.new_page()
    watch(page, name)
    begun = time.monotonic()
    page.goto(address, wait_until="load")
    took = time.monotonic() - begun
    print(f"{name}: {took * 1000:.0f} ms to open")
    return page, took


def slide(page, name):
    """Moves the edge of the viewer by keyboard and sees the picture above it change."""
    edge = page.locator("input.slide").first
    shown = lambda: page.locator(".over:not([hidden])").first.evaluate("e => getComputedStyle(e).clipPath")
    before, at = shown(), int(edge.input_value())
    edge.focus()
    for _ in range(10):
        page.keyboard.press("ArrowRight")
    moved = lambda: shown() != before and edge.input_value() == str(at + 10)
    check(f"{name}: the edge does not move by keyboard", comes(page, moved))
    told = edge.get_attribute("aria-valuetext") or ""
    check(f"{name}: the edge does not tell where it is", f"{at + 10} percent" in told)
    box = page.locator(".sheet").first.bounding_box()
    page.mouse.click(box["x"] + 0.5 * box["width"], box["y"] + 0.5 * box["height"])
    check(f"{name}: the edge does not follow the mouse", comes(page, lambda: abs(int(edge.input_value()) - 50) < 3))


def choose(page, name):
    """Any two pictures can be laid over each other: one is shown on each side, no third."""
    left, right = page.locator("select.left-of").first, page.locator("select.right-of").first
    options = left.locator("option").all_inner_texts()
    check(f"{name}: the two lists differ", options == right.locator("option").all_inner_texts())
    left.select_option(index=len(options) - 1)
    right.select_option(index=0)
    visible = lambda: page.locator("img.view:visible").evaluate_all("list => list.map(i => i.alt)")
    check(f"{name}: shows {visible()}", comes(page, lambda: sorted(visible()) == sorted({options[0], options[-1]})))
    loaded = "list => list.every(i => i.complete && i.naturalWidth > 0)"
    check(f"{name}: a picture is empty", comes(page, lambda: page.locator("img.view").evaluate_all(loaded)))


def blink(page, name):
    """The two pictures swap by themselves, slower than three flashes a second, until the button is pressed again."""
    button = page.locator("button.blink").first
    # Every change of what covers the picture, with its time.
    page.evaluate(
        """() => {
            window.swaps = [];
            const over = document.querySelector('.over');
            let before = over.style.clipPath;
            new MutationObserver(() => {
                if (over.style.clipPath !== before) { before = over.style.clipPath; swaps.push(performance.now()); }
            }).observe(over, {attributes: true, attributeFilter: ['style']});
        }"""
    )
    button.focus()
    page.keyboard.press("Enter")
    check(f"{name}: the button does not say that it is pressed", button.get_attribute("aria-pressed") == "true")
    page.wait_for_timeout(2600)
    swaps = page.evaluate("swaps")
    page.keyboard.press("Enter")
    check(f"{name}: does not blink", len(swaps) >= 3)
    # A flash is there and back again.
    fastest = min((b - a for a, b in zip(swaps, swaps[1:])), default=0)
    check(f"{name}: swaps after {fastest:.0f} ms", fastest > 1000 / 6)
    check(f"{name}: blinks on", button.get_attribute("aria-pressed") == "false")
    page.evaluate("swaps = []")
    page.wait_for_timeout(1200)
    # Laying the edge back is no swap of its own.
    check(f"{name}: blinks after it was ended", len(page.evaluate("swaps")) == 0)
    page.emulate_media(reduced_motion="reduce")
    check(f"{name}: does not offer to swap by hand", comes(page, lambda: button.inner_text() == "Swap"))
    told = page.locator(".now").first
    page.keyboard.press("Enter")
    first = told.inner_text()
    page.evaluate("swaps = []")
    page.wait_for_timeout(1200)
    check(f"{name}: moves though less motion was asked for", len(page.evaluate("swaps")) == 0)
    page.keyboard.press("Enter")
    check(f"{name}: does not say what came up", comes(page, lambda: told.inner_text() != first) and told.get_attribute("role") == "status")
    page.emulate_media(reduced_motion="no-preference")


def words(page, name):
    """Every picture and plot has words for those who cannot see it."""
    images = page.locator("img:visible").evaluate_all("list => list.filter(i => !i.alt).length")
    check(f"{name}: {images} pictures without words", images == 0)
    plots = page.locator("svg[role=img]").evaluate_all(
        "list => list.filter(s => !document.getElementById(s.getAttribute('aria-labelledby'))?.textContent.trim()).length"
    )
    check(f"{name}: {plots} plots without words", plots == 0)


def report(context, scheme):
    folder = newest("planet-colour")
    name = f"report, {scheme}"
    size = (folder / "report.html").stat().st_size
    print(f"{name}: {size / 1e6:.2f} MB")
    check(f"{name}: larger than 5 MB", size < 5e6)
    page, took = open_page(context, (folder / "report.html").as_uri(), name)
    check(f"{name}: takes {took:.2f} s to open", took < 1.0)
    heading = page.locator("section.verdict h2").inner_text()
    check(f"{name}: does not begin with what limited the picture", "imited" in heading)
    check(f"{name}: no plots", page.locator("svg.plot").count() >= 5 and page.locator("svg.graph").count() == 1)
    slide(page, name)
    choose(page, name)
    blink(page, name)
    page.locator("select.zoom").first.select_option("8")
    check(f"{name}: does not enlarge", page.locator(".sheet").first.evaluate("e => e.style.width").endswith("px"))
    words(page, name)
    page.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")
    accessible(page, name)
    page.set_viewport_size({"width": 360, "height": 740})
    wide = page.evaluate("document.documentElement.scrollWidth")
    check(f"{name}: {wide} px wide on a screen of 360 px", wide <= 360)
    accessible(page, name + ", narrow")
    page.close()


def comparison(context):
    """A comparison of several ways, and one of several clips, as `stillair compare` writes them."""
    clip = next(runs.glob("*-demo-clip-*/results/*.ser"))
    made = runs / "compared"
    ways = ["compare", "planet-colour", str(clip), "--vary", "weights.power=2,6", "--vary",
            "sharp.use=sharpen.wiener,sharpen.starlet"]
    again = made / "again.ser"
    made.mkdir(exist_ok=True)
    shutil.copy(clip, again)
    for name, arguments in (("ways", ways), ("clips", ["compare", "planet-colour", str(clip), str(again)])):
        said = subprocess.run([stillair, *arguments, "--json", "--out", str(made)], capture_output=True, text=True)
        check(f"{name}: {said.stderr}", said.returncode == 0)
        folder = pathlib.Path(json.loads(said.stdout.splitlines()[-1])["folder"])
        file = folder / "compare.html"
        size = file.stat().st_size
        print(f"{name}: {size / 1e6:.2f} MB")
        check(f"{name}: larger than 5 MB", size < 5e6)
        page, took = open_page(context, file.as_uri(), name)
        check(f"{name}: takes {took:.2f} s to open", took < 1.0)
        slide(page, name)
        choose(page, name)
        blink(page, name)
        words(page, name)
        accessible(page, name)
        for width in (1100, 360):
            page.set_viewport_size({"width": width, "height": 900})
            wide = page.evaluate("document.documentElement.scrollWidth")
            check(f"{name}: {wide} px wide on a screen of {width} px", wide <= width)
            if width == 1100:
                table = page.locator("table.compare").evaluate("e => e.scrollWidth - e.parentElement.clientWidth")
                check(f"{name}: the table is {table} px too wide", table <= 0)
            # Where the table scrolls the page says so, and lists of pictures are as wide as their words.
            told = page.locator(".sideways").is_visible()
            check(f"{name}: a table that scrolls is told: {told} at {width} px", told == (width == 360))
            cut = page.locator(".controls select").evaluate_all(
                """list => list.filter(e => {
                    const shown = e.offsetWidth;
                    e.style.maxWidth = 'none';
                    const wanted = e.offsetWidth;
                    e.style.maxWidth = '';
                    return shown < wanted;
                }).length"""
            )
            check(f"{name}: {cut} lists are cut off at {width} px", cut == 0)
        page.set_viewport_size({"width": 1200, "height": 900})
        page.locator("ol a").first.click()
        check(f"{name}: does not lead to a run", page.locator("section.verdict").count() == 1)
        page.close()


def pages(context):
    child = subprocess.Popen(
        [stillair, "serve", "--listen", "127.0.0.1:0", "--json", "--out", str(runs)], stdout=subprocess.PIPE, text=True
    )
    try:
        address = json.loads(child.stdout.readline())["address"]
        page, _ = open_page(context, address, "list")
        count = page.locator(".card").count()
        check("list: fewer than two runs", count >= 2)
        words(page, "list")
        accessible(page, "list")
        recipe = page.locator("select[name=recipe]")
        recipe.select_option("planet-colour")
        page.get_by_role("button", name="Show").click()
        few = page.locator(".card").count()
        check("list: the filter shows nothing or everything", 0 < few < count)
        check("list: the filter is forgotten", page.locator("select[name=recipe]").input_value() == "planet-colour")
        page.locator(".card .name a").first.click()
        check("list: does not lead to a run", page.locator("section.verdict").count() == 1)
        page.goto(address)
        ticks = page.locator("input[name=run]")
        ticks.nth(0).check()
        ticks.nth(1).check()
        page.get_by_role("button", name="Compare").click()
        check("pair: no table", page.locator("table.pair").count() == 1)
        if page.locator("input.slide").count():
            slide(page, "pair")
            choose(page, "pair")
            blink(page, "pair")
        words(page, "pair")
        accessible(page, "pair")
        page.close()
    finally:
        child.terminate()
        child.wait(timeout=10)


with sync_playwright() as playwright:
    browser = playwright.chromium.launch(
        executable_path=chromium,
        args=["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-component-update"],
    )
    print("Chromium", browser.version)
    for scheme in ("light", "dark"):
        context = browser.new_context(color_scheme=scheme, viewport={"width": 1200, "height": 900}, bypass_csp=True)
        report(context, scheme)
        if scheme == "light":
            comparison(context)
            pages(context)
        context.close()
    browser.close()

print("no fault" if not faults else f"{len(faults)} faults")
sys.exit(1 if faults else 0)
