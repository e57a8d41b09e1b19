"""Forty invented secrets, written in ten ways, and a search for them in what would be shared."""

from __future__ import annotations

import base64
import html
import json
import re
from collections.abc import Callable, Mapping
from urllib.parse import quote

from plotly.offline import get_plotlyjs

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
}
# How a number with a decimal point is written elsewhere; the tenth way of the positions.
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
        if name.endswith(".png"):
            text = content.decode("latin-1")
        else:
            text = content.decode("utf-8").replace(get_plotlyjs(), "")
        views = {text, html.unescape(text), _json_unescaped(text), text.replace('""', '"')}
        views |= {re.sub(r"\\([^A-Za-z0-9\s])", r"\1", view) for view in list(views)}
        views |= {re.sub(r"[\s_.-]", "", view) for view in list(views)}
        lowered = [view.casefold() for view in views]
        for core in SECRETS.values():
            forms = {core, COMMA(core), core.replace(" ", ""), core.replace(" ", "_"), re.sub(r"[\s_.-]", "", core)}
            forms |= {quote(core), html.escape(core), json.dumps(core)[1:-1]}
            forms |= {WAYS[way](core) for way in ("entities", "url", "json", "utf-16")}
            forms |= {base64.b64encode(core.encode()).decode().rstrip("=")}
            if any(form.casefold() in view for form in forms for view in lowered if len(form) >= 5):
                found.append(f"{core} in {name}")
    return found


def _json_unescaped(text: str) -> str:
    return re.sub(r"\\u([0-9a-f]{4})", lambda m: chr(int(m[1], 16)), text, flags=re.IGNORECASE)
