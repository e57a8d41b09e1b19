"""The browser that pages are looked at with: Debian's Chromium."""

import shutil

PATH = shutil.which("chromium") or shutil.which("chromium-browser")
ARGUMENTS = ["--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking"]
