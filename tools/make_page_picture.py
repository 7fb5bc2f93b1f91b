"""Take the picture of the sign-off page that README shows; needs Debian's chromium.

python tools/make_page_picture.py      writes captures/pages/round.png
"""

from __future__ import annotations

import argparse
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
PICTURE = ROOT / "captures" / "pages" / "round.png"
WINDOW = "900,1250"


def main() -> None:
    argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter).parse_args()
    browser = shutil.which("chromium")
    if browser is None:
        raise SystemExit("make_page_picture.py: chromium is missing: install it")
    PICTURE.parent.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as folder:
        page = Path(folder) / "round.html"
        words = ["verify", "captures/heron-round-faulty.pcapng", "--rig", "captures/heron.toml", "--report", str(page)]
        subprocess.run([sys.executable, "-m", "busbench", *words], cwd=ROOT, stdout=subprocess.DEVNULL, check=False)
        flags = ["--headless", "--no-sandbox", "--disable-gpu", "--hide-scrollbars", f"--window-size={WINDOW}"]
        subprocess.run([browser, *flags, f"--screenshot={PICTURE}", page.as_uri()], check=True, capture_output=True)
    print(f"{PICTURE.relative_to(ROOT)}: {PICTURE.stat().st_size} bytes")


if __name__ == "__main__":
    main()
