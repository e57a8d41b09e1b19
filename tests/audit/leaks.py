"""Forty invented secrets, written in twelve ways, and a search for them in what would be shared."""

from __future__ import annotations

import base64
import csv
import html
import io
import json
import re
from collections.abc import Callable, Mapping
from pathlib import Path
from urllib.parse import quote

from helpers.pages import unpacked
from pullbook.settings.share import pack

# Each as it would stand in a text, and what of it must not be seen anywhere. None of them is anybody's.
VINS = (
    "ZZX9ZZ7HZ8H000123", "ZZ1ZZZ2KZAW123456", "1ZZ8F2C45K7000999", "YZ3RS58D1Y2345678", "ZFZ19900000512345",
    "SZZBA71J8X9027001", "WZZ1K0AB3CD004711", "2ZZBURHE0JC034461", "KZHCT41BAHU900815", "JZ4KE5HB0F4086420",
)  # fmt: skip
SECRETS: dict[str, str] = (
    {f"VIN {vin}": vin for vin in VINS}
    | {
        "registration AB12 CDE": "AB12 CDE", "plate: XK 481 P": "XK 481 P", "number plate HN-5521-Z": "HN-5521-Z",
        "reg. QR 77 LMN": "QR 77 LMN", "licence plate 9-TVX-38": "9-TVX-38", "Kennzeichen KX AB 4242": "KX AB 4242",
        "serial number A93-2231X": "A93-2231X", "S/N 00412345": "00412345", "serial: LG7700193": "LG7700193",
        "serial no 55-1093-77": "55-1093-77", "sn=ZK9921340": "ZK9921340", "Seriennummer QF2210987": "QF2210987",
        "51.50735, -0.12776": "51.50735", "N52.12345 E4.56789": "52.12345", "48,13743; 11,57549": "48,13743",
        "latitude 47.37689": "47.37689", "59.91387 N 10.75225 E": "59.91387", "lon=8.54169": "8.54169",
        "40°26'46\"N 79°58'56\"W": "40°26'46\"N", "-33.86882,151.20930": "151.20930",
        "a.person@example.org": "a.person@example.org", "mail: drive_log@garage.example": "drive_log@garage.example",
        "b-c.d+logs@host.example": "b-c.d+logs@host.example", "someone99@mail.example": "someone99@mail.example",
        "/home/wilhelmina/logs/a.csv": "wilhelmina", "C:\\Users\\Anneliese\\b.csv": "Anneliese",
        "~/drives/hermenegild.csv": "hermenegild", "\\\\shed-nas\\share\\c.csv": "shed-nas",
        "file:///mnt/kunigunde/d.csv": "kunigunde", "/Users/theophilus/e.csv": "theophilus",
    }
)  # fmt: skip

Write = Callable[[str], str]

WAYS: dict[str, Write] = {
    "plain": lambda text: text,
    "upper": str.upper,
    "lower": str.lower,
    "spaces": lambda text: re.sub(r"(?<=[A-Z0-9]{3})(?=[A-Z0-9]{4})", " ", text) if _is_vin(text) else text,
    "underscores": lambda text: f"log_{text.replace(' ', '_')}_x",
    "entities": lambda text: "".join(f"&#{ord(c)};" for c in text),
    "url": lambda text: "".join(f"%{byte:02X}" for byte in text.encode()),
    "base64": lambda text: base64.b64encode(text.encode()).decode(),
    "json": lambda text: "".join(f"\\u{ord(c):04x}" for c in text),
    "utf-16": lambda text: "".join(f"\\x{byte:02x}" for byte in text.encode("utf-16-le")),
    "full width": lambda text: "".join(chr(ord(c) + 0xFEE0) if "!" <= c <= "~" else c for c in text),
    "unseen": "\u200b".join,
}
# How a number with a decimal point is written elsewhere.
COMMA: Write = lambda text: re.sub(r"(\d)\.(\d)", r"\1,\2", text)  # noqa: E731


def _is_vin(text: str) -> bool:
    return any(vin in text for vin in VINS)


def written(secret: str, way: str) -> str:
    """Return a secret with its words, written in one of the ways."""
    if way == "spaces" and _is_vin(secret):
        vin = next(vin for vin in VINS if vin in secret)
        return secret.replace(vin, f"{vin[:3]} {vin[3:9]} {vin[9:11]} {vin[11:]}")
    return WAYS[way](secret)


def leaks(files: Mapping[str, bytes]) -> list[str]:
    """Search files for every secret in every way; return what was found and where, numbers of arrays included."""
    found = []
    for name, content in files.items():
        text = content.decode("latin-1") if name.endswith(".png") else unpacked(content.decode("utf-8"))
        views = {text, html.unescape(text), _json_unescaped(text), text.replace('""', '"')}
        views |= {re.sub(r"\\([^A-Za-z0-9\s])", r"\1", view) for view in list(views)}
        views |= {re.sub(r"[\s_.-]", "", view) for view in list(views)}
        lowered = [view.casefold() for view in views]
        for core in SECRETS.values():
            forms = {core, COMMA(core), core.replace(" ", ""), core.replace(" ", "_"), re.sub(r"[\s_.-]", "", core)}
            forms |= {quote(core), html.escape(core), json.dumps(core)[1:-1]}
            forms |= {WAYS[way](core) for way in ("entities", "url", "json", "utf-16", "full width", "unseen")}
            forms |= {base64.b64encode(core.encode()).decode().rstrip("=")}
            if any(form.casefold() in view for form in forms for view in lowered if len(form) >= 5):
                found.append(f"{core} in {name}")
    return found


def _json_unescaped(text: str) -> str:
    return re.sub(r"\\u([0-9a-f]{4})", lambda m: chr(int(m[1], 16)), text, flags=re.IGNORECASE)


ORDINARY = "Washed the fins; the rise fell by 6.1 K, 4.5 to 7.6 K, at 90 km/h and 148,200 km on 2026-03-20 14:05:33"
NUMBERS = [41.23456, 42.34567, -0.12345, 11.57549]


def files_with(texts: list[str], *, names: tuple[str, ...] = ("before-1", "after-1")) -> dict[str, bytes]:
    """Make files of every kind that hold texts as the real ones do, and ordinary content beside it."""
    figure = {"data": [{"y": NUMBERS, "text": texts, "x": {"dtype": "f8", "bdata": "AAAAAAAA8D8="}}]}
    table = io.StringIO()
    csv.writer(table, lineterminator="\n").writerows([["session", "a", "b"], *([text, *NUMBERS] for text in texts)])
    body = "".join(f'<td title="{html.escape(text)}">{html.escape(text)}</td>' for text in texts)
    results = {
        "sessions": {name: {"log": f"logs/{name}.csv", "findings": texts} for name in names},
        "pulls": [{"session": name, "numbers": NUMBERS} for name in names],
        "evidence": {"said": [*texts, ORDINARY], "numbers": NUMBERS},
    }
    notebook = {"cells": [{"source": [f"{text}\n" for text in texts] + ["end"], "outputs": [figure]}]}
    page = (
        f'<main><p>{ORDINARY}</p><table>{body}</table><script type="text/plain" data-packed>{pack(json.dumps(figure))}'
    )
    post = "\n".join([f"**{ORDINARY}**", *(text.replace("_", "\\_") for text in texts), *names])
    return {
        "results.json": (json.dumps(results, indent=1, ensure_ascii=False) + "\n").encode(),
        "workbook.ipynb": (json.dumps(notebook, indent=1, ensure_ascii=False) + "\n").encode(),
        "workbook.html": f"{page}</script></main>".encode(),
        "runs.csv": table.getvalue().encode(),
        "post.md": post.encode(),
    }


def with_secrets(folder: Path) -> Path:
    """Plant what must not be shared wherever a person or a logger writes: texts, names, headers, names of files."""
    vin = "ZZX9ZZ7HZ8H000123"
    settings = folder / "experiment.yaml"
    text = settings.read_text(encoding="utf-8").replace("before-1", f"VIN_{vin}")
    text = re.sub(r"^title: .*$", "title: 'Evening (plate: XK 481 P)'", text, flags=re.MULTILINE)
    settings.write_text(text, encoding="utf-8")
    for log in (folder / "logs").glob("*.csv"):
        head, *rows = log.read_text(encoding="utf-8").splitlines()
        secrets = [written(secret, [*WAYS][k % len(WAYS)]) for k, secret in enumerate(SECRETS)]
        cells = ['"' + f"Oddity {secret}".replace('"', '""') + '"' for secret in secrets]
        lines = [";".join([head, *cells]), *(f"{row};" + ";".join(["1"] * len(cells)) for row in rows)]
        log.write_text("\n".join(lines) + "\n", encoding="utf-8")
        log.rename(log.with_name(log.name.replace("before-1", f"VIN_{vin}")))
    return folder
