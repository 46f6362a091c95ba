"""The report of a trial of 5,000 records by 8 detectors: written, opened, filtered.

``python -m benchmarks.page`` makes the trial and prints wall and processor time beside the load of
the machine; ``python -m benchmarks.page TRIAL`` takes one that is there. Chromium and its driver
have to be on the path.
"""

import argparse
import os
import shutil
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final

import numpy as np
from echotrial import host, open_trial
from echotrial.corpus.build import build
from echotrial.report import page
from echotrial.trial import Trial, conduct
from echotrial.trial.conduct import Request

DETECTORS: Final = (
    "threshold", "correlation", "envelope", "cepstral", "autocorrelation", "spectral-notch",
    "onset", "tail-subtraction",
)  # fmt: skip
SIZE: Final = {"prove": 5000, "tune": 1000}
FLAGS: Final = (
    "--headless=new", "--no-sandbox", "--disable-gpu", "--no-first-run", "--window-size=1280,900",
    "--disable-background-networking", "--disable-component-update", "--disable-dev-shm-usage",
)  # fmt: skip
#: From a change of a filter to the frame that shows its numbers, and to the one that shows the
#: last picture in view.
FILTER: Final = """
const [name, option, done] = arguments, section = echotrialReport.sections[0];
const select = document.querySelector(`select[data-stratum="${name}"]`), begun = performance.now();
select.selectedIndex = option;
select.dispatchEvent(new Event("change"));
let numbers;
requestAnimationFrame(() => { numbers = performance.now() - begun; });
const look = () => section.inView().length || numbers === undefined ? requestAnimationFrame(look)
  : requestAnimationFrame(() => done([numbers, performance.now() - begun]));
look();
"""
DRAW: Final = """
const done = arguments[0], begun = performance.now();
for (const section of echotrialReport.sections) section.drawAll();
requestAnimationFrame(() => requestAnimationFrame(() => done(performance.now() - begun)));
"""


def made(folder: Path) -> Trial:
    """The trial of the built-in stainless tube by eight detectors."""
    loaded = host.load()
    entry = next(e for e in loaded.corpora.values() if e.name.startswith("stainless"))
    spec = loaded.forward_model.read_spec(entry.path)
    corpus = build(loaded, spec, size=SIZE, out=folder / "corpus", workers=2)
    return conduct(Request([corpus], loaded.chosen(DETECTORS), {}, workers=2), folder / "trial")


def written(folder: Path, path: Path) -> None:
    """Write the report from files, as ``echotrial show TRIAL`` does."""
    begun, used = time.perf_counter(), time.process_time()
    page.write(open_trial(folder), path)
    wall, cpu = time.perf_counter() - begun, time.process_time() - used
    print(f"written in       {wall:6.2f} s ({cpu:.2f} s of processor), wanted: under 10 s")
    print(f"size             {path.stat().st_size / 1e6:6.2f} MB, wanted: under 8 MB")


@contextmanager
def browser() -> Iterator[Any]:
    """Headless Chromium with a profile of its own."""
    from selenium import webdriver

    options = webdriver.ChromeOptions()
    options.binary_location = shutil.which("chromium") or ""
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as profile:
        for flag in (*FLAGS, f"--user-data-dir={profile}"):
            options.add_argument(flag)
        service = webdriver.ChromeService(shutil.which("chromedriver"))
        driver = webdriver.Chrome(options=options, service=service)
        try:
            driver.execute_cdp_cmd("Performance.enable", {"timeDomain": "threadTicks"})
            yield driver
        finally:
            driver.quit()


def busy_ms(driver: Any) -> float:
    """What the page's main thread has done so far, by its own clock: others' work is not in it."""
    found = driver.execute_cdp_cmd("Performance.getMetrics", {})["metrics"]
    return 1e3 * float(next(m["value"] for m in found if m["name"] == "TaskDuration"))


def opened(driver: Any, path: Path) -> None:
    """Open the page; then draw what is out of sight as well."""
    driver.get(path.as_uri())
    while not driver.execute_script("return window.echotrialReport?.ready"):
        time.sleep(0.05)
    ready = driver.execute_script("return echotrialReport.readyMs")
    first = busy_ms(driver) / 1e3
    drawn = driver.execute_async_script(DRAW)
    busy = busy_ms(driver) / 1e3
    print(f"opened in        {ready / 1e3:6.2f} s ({first:.2f} s of processor), wanted: under 3 s")
    print(f"  all pictures   {(ready + drawn) / 1e3:6.2f} s ({busy:.2f} s of processor)")


def filtered(driver: Any, where: str) -> None:
    """Every bin of every filter in turn, and back to all, while a part of the page is in view."""
    driver.execute_script(f"document.querySelector('[data-role={where}]').scrollIntoView()")
    bins = driver.execute_script(
        "return echotrialReport.sections[0].corpus.strata.filter((s) => s.main)"
        ".map((s) => [s.name, s.bins.length])"
    )
    numbers, pictures, used = [], [], []
    for name, count in bins:
        for option in (*range(1, count + 1), 0):
            before = busy_ms(driver)
            shown, drawn = driver.execute_async_script(FILTER, name, option)
            numbers.append(shown)
            pictures.append(drawn)
            used.append(busy_ms(driver) - before)
            time.sleep(0.3)  # pictures out of sight follow when there is time
    print(f"filter, {where} in view, {len(used)} times; median and most, wanted: under 200 ms")
    for words, taken in (("numbers", numbers), ("pictures", pictures), ("processor", used)):
        print(f"  {words:15}{np.median(taken):6.0f} {np.max(taken):6.0f} ms")


def main() -> None:
    """Measure, and print what was seen."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("trial", nargs="?", type=Path)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        folder = asked.trial or made(Path(scratch)).folder
        load = ", ".join(f"{x:.1f}" for x in os.getloadavg())
        print(f"load             {load} on {os.cpu_count()} processors")
        path = Path(scratch) / "report.html"
        written(folder, path)
        with browser() as driver:
            opened(driver, path)
            for where in ("rates", "shares", "map-snr"):
                filtered(driver, where)
        print(f"load afterwards  {os.getloadavg()[0]:.1f}")


if __name__ == "__main__":
    main()
