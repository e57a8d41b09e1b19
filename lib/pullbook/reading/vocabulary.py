"""The words of a header, spelt out in plain English: trade abbreviations, run-together words, other languages.

Sources: SAE J1930 for the abbreviations, as far as remembered; the rest is common usage, with no source. Everything
here is a word of a language or of the trade, none a name of a product.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable
from functools import lru_cache

from pullbook.reading.units import parse_unit

# Whole words and abbreviations. English but where marked.
_SPELT: dict[str, str] = {
    "temp": "temperature", "temps": "temperature", "tmp": "temperature", "press": "pressure", "pres": "pressure",
    "spd": "speed", "velocity": "speed", "vss": "vehicle speed", "veh": "vehicle", "kph": "speed", "mph": "speed",
    "rpm": "engine rotation", "rpms": "engine rotation", "revs": "engine rotation", "rev": "engine rotation",
    "iat": "intake air temperature", "act": "intake air temperature", "ait": "intake air temperature",
    "ect": "engine coolant temperature", "clt": "coolant temperature", "eot": "engine oil temperature",
    "egt": "exhaust gas temperature", "aat": "ambient air temperature", "oat": "outside air temperature",
    "map": "manifold absolute pressure", "mgp": "manifold gauge pressure", "baro": "barometric",
    "bp": "barometric pressure", "maf": "mass air flow", "airmass": "air mass", "airflow": "air flow",
    "app": "accelerator pedal position", "accel": "accelerator", "tps": "throttle position",
    "tp": "throttle position", "cac": "charge air cooler", "cact": "charge air cooler temperature",
    "intercooler": "charge air cooler", "aftercooler": "charge air cooler", "ic": "charge air cooler",
    "chargeair": "charge air", "chargecooler": "charge air cooler", "intercooled": "charge air cooler after",
    "inlet": "intake", "induction": "intake", "suction": "intake", "airbox": "intake",
    "outside": "ambient", "outdoor": "ambient", "external": "ambient", "exterior": "ambient", "water": "coolant",
    "h2o": "coolant",
    "atmospheric": "barometric", "atmosphere": "barometric", "barometer": "barometric",
    "lat": "latitude", "lon": "longitude", "lng": "longitude", "long": "longitude", "alt": "altitude",
    "elevation": "altitude", "compr": "compressor", "comp": "compressor", "turbo": "compressor",
    "turbocharger": "compressor", "out": "outlet", "discharge": "outlet", "post": "after", "downstream": "after",
    "pre": "before", "upstream": "before", "abs": "absolute", "rel": "relative", "gage": "gauge", "calc": "calculated",
    "eng": "engine", "pos": "position", "amb": "ambient", "exh": "exhaust", "cool": "coolant", "cooling": "coolant",
    "throt": "throttle", "cmd": "commanded", "command": "commanded", "req": "requested", "request": "requested",
    "spec": "specified", "des": "desired", "demanded": "desired", "goal": "target", "tgt": "target", "sp": "setpoint",
    "avg": "average", "model": "modelled", "modeled": "modelled", "est": "estimated", "estimate": "estimated",
    "virtual": "modelled", "predicted": "expected", "corr": "correction", "dev": "deviation", "sensed": "",
    "actual": "", "measured": "", "trans": "transmission", "gearbox": "transmission", "volt": "voltage",
    "volts": "voltage", "amps": "current", "soc": "battery", "bat": "battery", "batt": "battery", "akku": "battery",
    "ladezustand": "battery", "hybrid": "battery", "traction": "battery",
    # German. "Soll" is what is wanted, "Ist" what is.
    "soll": "desired", "sollwert": "desired", "ist": "", "istwert": "", "kmh": "speed", "tempo": "speed",
    "aussentemp": "ambient temperature", "lmm": "mass air flow", "llk": "charge air cooler", "vor": "before",
    "nach": "after", "grenzwert": "limit", "mittelwert": "average", "agr": "egr",
    "mot": "engine", "fzg": "vehicle", "saug": "intake",
    # French, Spanish, Italian, Dutch: short words; the long ones are stems below.
    "aire": "air", "aria": "air", "lucht": "air", "luft": "air", "eau": "coolant", "agua": "coolant",
    "acqua": "coolant", "apres": "after", "avant": "before", "tras": "after", "despues": "after", "antes": "before",
    "dopo": "after", "prima": "before", "voor": "before", "na": "after", "huile": "oil", "aceite": "oil", "olio": "oil",
    "olie": "oil", "ol": "oil", "oel": "oil", "giri": "engine rotation", "toerental": "engine rotation",
    "consigne": "desired", "cible": "target", "voulu": "desired", "souhaite": "desired", "deseado": "desired",
    "deseada": "desired", "objetivo": "target", "gewenst": "desired", "gewenste": "desired", "obiettivo": "target",
    "richiesto": "requested", "richiesta": "requested", "desiderato": "desired", "desiderata": "desired",
    "moteur": "engine", "motore": "engine", "moyenne": "average", "media": "average", "carga": "load",
    "carico": "load",
    # Portuguese
    "ar": "air", "apos": "after", "depois": "after", "oleo": "oil", "rotacao": "engine rotation",
    "rotacoes": "engine rotation", "desejada": "desired", "desejado": "desired",
    # Polish and Czech; of their "before" one could be short for "predicted", and neither is a reading.
    "za": "after", "przed": "before", "pred": "before expected", "predkosc": "speed", "pojazdu": "vehicle",
    "obrotowa": "rotation", "silnika": "engine", "obroty": "engine rotation", "polozenie": "position",
    "pedalu": "pedal", "przyspieszenia": "accelerator", "gazu": "accelerator", "cisnienie": "pressure",
    "kolektorze": "manifold", "kolektora": "manifold", "dolotowym": "intake", "dolotowego": "intake",
    "dolotu": "intake", "powietrza": "air", "doladowania": "boost", "doladowujacego": "charge", "plynu": "",
    "chlodzacego": "coolant", "chlodziwa": "coolant", "otoczenia": "ambient", "zewnetrzna": "ambient",
    "intercoolerem": "charge air cooler", "intercoolera": "charge air cooler", "chlodnica": "cooler", "oleju": "oil",
    "spalin": "exhaust", "przepustnicy": "throttle", "obciazenie": "load", "zadane": "desired", "zadana": "desired",
    "srednia": "average", "rychlost": "speed", "vozidla": "vehicle", "otacky": "engine rotation", "motoru": "engine",
    "poloha": "position", "tlak": "pressure", "saci": "intake", "sacim": "intake", "sani": "intake",
    "potrubi": "manifold", "teplota": "temperature", "nasavaneho": "intake", "vzduchu": "air", "plniciho": "charge",
    "plnici": "boost", "chladicem": "cooler", "chladice": "cooler", "chladici": "coolant", "kapaliny": "coolant",
    "okoli": "ambient", "venkovni": "ambient", "oleje": "oil", "vyfuku": "exhaust", "vyfukovych": "exhaust",
    "zatizeni": "load", "pozadovany": "desired", "pozadovane": "desired", "prumerna": "average",
    # Russian, without the mark on й
    "скорость": "speed", "автомобиля": "vehicle", "обороты": "engine rotation", "вращения": "rotation",
    "двигателя": "engine", "коленвала": "engine", "температура": "temperature", "темп": "temperature",
    "воздуха": "air", "воздух": "air", "впуске": "intake", "впуск": "intake", "впускного": "intake",
    "впускном": "intake", "всасываемого": "intake", "наддува": "boost", "наддувочного": "charge",
    "охлаждающеи": "coolant", "жидкости": "", "антифриза": "coolant", "ож": "coolant", "давление": "pressure",
    "коллекторе": "manifold", "коллектора": "manifold", "положение": "position", "педали": "pedal", "педаль": "pedal",
    "газа": "accelerator", "акселератора": "accelerator", "дросселя": "throttle", "дроссельнои": "throttle",
    "заслонки": "", "масла": "oil", "расход": "flow", "массовыи": "mass", "топлива": "fuel",
    "окружающего": "ambient", "наружного": "ambient", "наружная": "ambient", "забортного": "ambient",
    "атмосферное": "barometric", "широта": "latitude", "долгота": "longitude", "высота": "altitude",
    "нагрузка": "load", "после": "after", "до": "before", "перед": "before", "интеркулера": "charge air cooler",
    "охладителя": "cooler", "выхлопных": "exhaust", "отработавших": "exhaust", "газов": "gas", "заданное": "desired",
    "заданная": "desired", "желаемое": "desired", "среднее": "average", "средняя": "average",
    # Swedish, Danish, Norwegian: short words; the long ones are stems below.
    "efter": "after", "etter": "after", "fore": "before", "foer": "before", "innan": "before", "inden": "before",
    "olja": "oil", "oljen": "oil", "onskat": "desired", "oensket": "desired", "borvarde": "setpoint",
}  # fmt: skip

# Stems that run together in one word, as in "Ladelufttemperatur"; longest first. German, Dutch, Swedish, Danish and
# Norwegian, and the long words of French, Spanish, Italian and Portuguese, without their accents.
_STEMS: dict[str, str] = {
    "ansaugluft": "intake air", "ansaugdruck": "intake pressure", "ansaug": "intake", "ladeluft": "charge air",
    "ladedruck": "boost pressure", "lade": "charge", "kuhlmittel": "coolant", "kuehlmittel": "coolant",
    "kuhlwasser": "coolant", "kuehlwasser": "coolant", "kuhler": "cooler", "kuehler": "cooler", "wasser": "coolant",
    "temperatuur": "temperature", "temperatura": "temperature", "temperature": "temperature",
    "temperatur": "temperature",
    "geschwindigkeit": "speed", "fahrzeug": "vehicle", "fahr": "vehicle", "rad": "wheel",
    "motordrehzahl": "engine rotation",
    "drehzahl": "rotation", "motor": "engine", "gaspedal": "accelerator pedal", "fahrpedal": "accelerator pedal",
    "pedal": "pedal", "stellung": "position", "wert": "", "drosselklappe": "throttle", "drossel": "throttle",
    "klappe": "valve", "luftmasse": "air mass", "luftdruck": "barometric pressure", "umgebungsluft": "ambient air",
    "umgebung": "ambient", "aussenluft": "ambient air", "aussen": "ambient", "luft": "air", "masse": "mass",
    "massen": "mass", "strom": "flow", "durchsatz": "flow", "druck": "pressure", "saugrohr": "intake manifold",
    "krummer": "manifold", "abgas": "exhaust gas", "verdichter": "compressor", "turbolader": "compressor",
    "austritt": "outlet", "eintritt": "intake", "ausgang": "outlet", "eingang": "intake", "einlass": "intake",
    "auslass": "outlet", "motorol": "engine oil", "motoroel": "engine oil", "oltemperatur": "oil temperature",
    "last": "load", "hohe": "altitude", "breitengrad": "latitude", "langengrad": "longitude", "sollwert": "desired",
    "soll": "desired", "ist": "", "absolut": "absolute",
    # Dutch
    "snelheid": "speed", "voertuig": "vehicle", "wiel": "wheel", "koelvloeistof": "coolant", "koelwater": "coolant",
    "koeler": "cooler", "koel": "coolant", "inlaatlucht": "intake air", "aanzuiglucht": "intake air",
    "inlaatspruitstuk": "intake manifold", "spruitstuk": "manifold", "inlaat": "intake", "laaddruk": "boost pressure",
    "laadlucht": "charge air", "luchtmassa": "air mass", "luchtdruk": "barometric pressure", "lucht": "air",
    "druk": "pressure", "gaspedaal": "accelerator pedal", "pedaal": "pedal", "positie": "position", "stand": "position",
    "gasklep": "throttle", "smoorklep": "throttle", "buiten": "ambient", "omgevings": "ambient", "omgeving": "ambient",
    "uitlaat": "exhaust", "belasting": "load", "hoogte": "altitude", "toerental": "engine rotation", "olie": "oil",
    # French
    "liquide": "coolant", "refroidissement": "coolant", "refroidisseur": "cooler", "admission": "intake",
    "aspiration": "intake", "suralimentation": "boost", "pression": "pressure", "collecteur": "manifold",
    "tubulure": "manifold", "vitesse": "speed", "vehicule": "vehicle", "regime": "engine rotation",
    "accelerateur": "accelerator", "pedale": "pedal", "papillon": "throttle", "debit": "flow", "massique": "mass",
    "echappement": "exhaust", "exterieure": "ambient", "exterieur": "ambient", "ambiante": "ambient",
    "ambiant": "ambient", "atmospherique": "barometric", "barometrique": "barometric", "compresseur": "compressor",
    "sortie": "outlet", "entree": "intake",
    # Spanish
    "refrigerante": "coolant", "admision": "intake", "presion": "pressure", "colector": "manifold",
    "sobrealimentacion": "boost", "velocidad": "speed", "vehiculo": "vehicle", "revoluciones": "engine rotation",
    "regimen": "engine rotation", "acelerador": "accelerator", "mariposa": "throttle", "posicion": "position",
    "ambiental": "ambient", "ambiente": "ambient", "exterior": "ambient", "escape": "exhaust", "caudal": "flow",
    "masa": "mass", "barometrica": "barometric", "compresor": "compressor",
    "salida": "outlet", "entrada": "intake", "enfriador": "cooler", "intercambiador": "cooler", "altitud": "altitude",
    # Italian
    "raffreddamento": "coolant", "liquido": "coolant", "aspirazione": "intake", "aspirata": "intake",
    "pressione": "pressure", "collettore": "manifold", "sovralimentazione": "boost", "velocita": "speed",
    "veicolo": "vehicle", "acceleratore": "accelerator", "farfalla": "throttle", "posizione": "position",
    "esterna": "ambient", "scarico": "exhaust", "portata": "flow", "massa": "mass", "atmosferica": "barometric",
    "compressore": "compressor", "uscita": "outlet", "ingresso": "intake", "altitudine": "altitude",
    # Portuguese
    "velocidade": "speed", "pressao": "pressure", "coletor": "manifold", "admissao": "intake",
    "arrefecimento": "coolant", "sobrealimentacao": "boost", "borboleta": "throttle", "posicao": "position",
    # Swedish, Danish, Norwegian
    "hastighet": "speed", "hastighed": "speed", "fordon": "vehicle", "kjoretoy": "vehicle",
    "varvtal": "engine rotation", "omdrejninger": "engine rotation", "omdrejningstal": "engine rotation",
    "turtall": "engine rotation", "gasspedal": "accelerator pedal", "speeder": "accelerator",
    "lage": "position", "position": "position",
    "insugningsrorets": "intake manifold",
    "insugnings": "intake", "insugs": "intake", "indsugning": "intake", "innsug": "intake", "tryck": "pressure",
    "trykk": "pressure", "tryk": "pressure", "luftens": "air", "laddluft": "charge air", "laddtryck": "boost pressure",
    "ladetryk": "boost pressure", "ladetrykk": "boost pressure", "kylare": "cooler", "kylvatske": "coolant",
    "koelevaeske": "coolant", "kjoelevaeske": "coolant", "ute": "ambient", "ude": "ambient", "omgivnings": "ambient",
    "omgivelses": "ambient", "belastning": "load", "avgas": "exhaust", "udstoednings": "exhaust", "olje": "oil",
    "spjall": "throttle", "trottel": "throttle",
    # English compounds
    "boostpressure": "boost pressure", "vehiclespeed": "vehicle speed", "enginespeed": "engine speed",
    "coolanttemp": "coolant temperature", "intakeairtemp": "intake air temperature", "oiltemp": "oil temperature",
}  # fmt: skip
_LONGEST_FIRST = sorted(((stem.strip(), words) for stem, words in _STEMS.items()), key=lambda pair: -len(pair[0]))
_JOINTS = ("s", "n", "")  # letters German and Dutch put between two stems

# Phrases whose words mean something else one by one.
_PHRASES = (
    (re.compile(r"\bcharge (du )?(moteur|calculee|absolue)\b"), "load"),  # French: what the engine bears
    (re.compile(r"\b(air|aria) (de |di )?(suralimentation|sovralimentazione)\b"), "charge air"),
    (re.compile(r"\baire (de )?(sobrealimentacion|carga)\b"), "charge air"),
    (re.compile(r"\bpresion (de |del )?turbo\b"), "boost pressure"),
    (re.compile(r"\bpression (de |du )?turbo\b"), "boost pressure"),
    (re.compile(r"\bpressione (di |del )?turbo\b"), "boost pressure"),
    (re.compile(r"\breal ?time\b"), ""),
    (re.compile(r"\bset ?point\b"), "setpoint"),
    (re.compile(r"\bstate of charge\b"), "battery"),
    (re.compile(r"\b(charge air cooler|intercooler|chargecooler) (pump|reservoir|radiator)\b"), r"\1 coolant \2"),
    (re.compile(r"\b(gps|satellite) (groundspeed|ground speed)\b"), "gps speed"),
    (re.compile(r"\bturbo(charger)? (boost|pressure)( pressure)?\b"), "boost pressure"),
    (re.compile(r"\bregime (du )?moteur\b"), "engine rotation"),
    (re.compile(r"\btemperature ll\b"), "temperature charge air"),  # German
    (re.compile(r"\brotation ll\b"), "rotation idle"),
    (re.compile(r"\bair in\b"), "intake air"),
    (re.compile(r"\bpressure man\b"), "pressure manifold"),
)  # fmt: skip

_LETTERS = str.maketrans({"ß": "ss", "ł": "l", "ø": "oe", "æ": "ae", "œ": "oe", "đ": "d"})
_BETWEEN_WORDS = re.compile(r"[^0-9A-Za-zÀ-ſЀ-ӿ°℃℉%/²³µω⁻¹]+")
_CAMEL = re.compile(r"(?<=[a-z0-9])(?=[A-Z])|(?<=[A-Z])(?=[A-Z][a-z])")


def mend_encoding(text: str) -> str:
    """Undo a double encoding ("Â°C"), which several loggers write."""
    if "Â" in text or "Ã" in text:
        try:
            return text.encode("cp1252").decode("utf-8")
        except (UnicodeEncodeError, UnicodeDecodeError):
            return text.replace("Â", "")
    return text


def known_words(text: str) -> int:
    """Count the different words with letters beyond the English ones that are known, as in a right decoding they are.

    Examples
    --------
    >>> from pullbook.reading.vocabulary import known_words
    >>> known_words("Kühlmitteltemperatur (°C)"), known_words("KÌhlmitteltemperatur (°C)")
    (1, 0)
    """
    words = {_plain(word) for word in _BETWEEN_WORDS.split(text) if word and not word.isascii()}
    return sum(word in _SPELT or _compound(word) is not None for word in words)


def tokens(text: str) -> list[str]:
    """Split a header into words, also at the humps of ``coolantTemp``; units such as ``km/h`` stay whole."""
    whole = [part for token in _BETWEEN_WORDS.split(text) if token for part in _before_unit(token)]
    if text.isupper():
        return whole
    return [part for token in whole for part in ([token] if parse_unit(token) else _humps(token)) if part]


def _before_unit(token: str) -> list[str]:
    """Part a word from the unit behind its first slash: ``speed/km/h`` is a speed in km/h."""
    word, slash, unit = token.partition("/")
    return [word, unit] if slash and len(word) > 1 and not parse_unit(token) and parse_unit(unit) else [token]


def _humps(token: str) -> list[str]:
    """Split ``pressureKPa`` into words, without splitting the unit at its end."""
    parts = _CAMEL.split(token)
    unit = "".join(parts[-2:])
    return [*parts[:-2], unit] if len(parts) > 2 and len(unit) > 2 and parse_unit(unit) else parts


def english(words: Iterable[str]) -> frozenset[str]:
    """Spell words out in the English words that the rules ask for; a number at a word's end becomes a word.

    Examples
    --------
    >>> from pullbook.reading.vocabulary import english
    >>> sorted(english(["Ladelufttemperatur"])), sorted(english(["IAT2"]))
    (['air', 'charge', 'temperature'], ['2', 'air', 'intake', 'temperature'])
    """
    plain = " ".join(_plain(word) for word in words)
    for phrase, meaning in _PHRASES:
        plain = phrase.sub(meaning, plain)
    spelt: list[str] = []
    for word in plain.split():
        spelt += _spell(word)
    return frozenset(spelt)


@lru_cache(maxsize=4096)
def _spell(word: str) -> tuple[str, ...]:
    if word in _SPELT:
        return tuple(_SPELT[word].split())
    stem, number = re.fullmatch(r"(.*?)(\d*)", word, re.DOTALL).groups()  # type: ignore[union-attr]
    if stem and number and len(stem) > 1:
        return (*_spell(stem), number)
    return tuple(" ".join(_compound(word) or [word]).split())


def _compound(word: str) -> list[str] | None:
    """Take a run-together word apart into known stems; None unless all of it is known."""
    if not word:
        return []
    for stem, meaning in _LONGEST_FIRST:
        if word.startswith(stem):
            for joint in _JOINTS:
                rest = word[len(stem) :]
                if rest.startswith(joint) and (parts := _compound(rest[len(joint) :])) is not None:
                    return [meaning, *parts]
    return None


def _plain(word: str) -> str:
    """Write a word in small letters without accents."""
    decomposed = unicodedata.normalize("NFKD", word.lower().translate(_LETTERS))
    return "".join(letter for letter in decomposed if not unicodedata.combining(letter))
