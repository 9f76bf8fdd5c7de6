"""Prints Lighthouse's scores of the item, index and embed page, mobile profile: `python -m tests.bench.lighthouse [SITE]`.

Lighthouse 12 comes from npm into tests/.out on first use. The site is served gzipped from this machine, so no
certificate and no HTTP/2: audits of the server alone don't count in the scores. SITE: a built site; absent: the demo.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import threading
from pathlib import Path

from tests.bench.built import built_site, slugs_of
from tests.browsing import LAUNCH, Gzipped, Server, find_chromium

OUT = Path(__file__).resolve().parents[1] / ".out"
PACKAGE = "lighthouse@12.2.3"
BARS = {"performance": 99, "accessibility": 100, "best-practices": 100, "seo": 100}
METRICS = (("largest-contentful-paint", "LCP", "ms", 1600), ("cumulative-layout-shift", "CLS", "", 0),
           ("total-blocking-time", "TBT", "ms", 50))  # fmt: skip


def lighthouse() -> Path:
    program = OUT / "node_modules" / "lighthouse" / "cli" / "index.js"
    if not program.is_file():
        subprocess.run(["npm", "install", "--silent", "--no-fund", "--no-audit", "--prefix", OUT, PACKAGE], check=True)
    return program


def audit(url: str) -> dict:
    flags = " ".join(["--headless=new", *LAUNCH])
    done = subprocess.run(
        ["node", lighthouse(), url, "--output=json", "--quiet", f"--chrome-flags={flags}",
         f"--only-categories={','.join(BARS)}"],
        capture_output=True, text=True, timeout=300, env=os.environ | {"CHROME_PATH": find_chromium() or ""},
    )  # fmt: skip
    if done.returncode:
        raise SystemExit(f"lighthouse: {done.stderr.strip()[-800:]}")
    return json.loads(done.stdout)


def print_audit(name: str, found: dict) -> None:
    scores = {key: round(100 * (found["categories"][key]["score"] or 0)) for key in BARS}
    print(f"{name}: " + ", ".join(f"{key} {score} (bar {BARS[key]})" for key, score in scores.items()))
    metrics = (
        f"{short} {found['audits'][key]['numericValue']:.{0 if unit else 3}f} {unit}".rstrip() + f" (bar {bar})"
        for key, short, unit, bar in METRICS
    )
    print("  " + ", ".join(metrics))
    for key in BARS:
        for one in found["categories"][key]["auditRefs"]:
            audit = found["audits"][one["id"]]
            if one["weight"] and audit["score"] is not None and audit["score"] < 0.9:
                print(f"  {key}: {audit['id']}: {audit['title']} {audit.get('displayValue', '')}".rstrip())


def main(words: list[str]) -> None:
    if not shutil.which("node") or not find_chromium():
        raise SystemExit("Lighthouse needs Node and Chromium.")
    with built_site(words) as site:
        server = Server(site, answer=Gzipped)
        threading.Thread(target=server.serve_forever, daemon=True).start()
        slug = slugs_of(site)[0]
        for name, path in (("item", f"{slug}/"), ("index", ""), ("embed", f"{slug}/embed/")):
            print_audit(f"{name} page", audit(f"{server.url}/{path}"))


if __name__ == "__main__":
    main(sys.argv[1:])
