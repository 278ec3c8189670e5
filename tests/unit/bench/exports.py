"""Awkward exports of one known response, drawn by seed: languages, units, separators, orders, gaps, footers, encodings."""

from dataclasses import dataclass

import numpy as np

LANGUAGES = {
    "English": ("Frequency", "Gain", "Phase", "Magnitude", "Real", "Imaginary", "Index"),
    "short": ("f", "Mag", "Ph", "|T|", "Re", "Im", "No."),
    "German": ("Frequenz", "Verstärkung", "Phase", "Betrag", "Realteil", "Imaginärteil", "Nr."),
    "French": ("Fréquence", "Gain", "Phase", "Module", "Partie réelle", "Partie imaginaire", "N°"),
    "Spanish": ("Frecuencia", "Ganancia", "Fase", "Módulo", "Parte real", "Parte imaginaria", "Punto"),
    "Italian": ("Frequenza", "Guadagno", "Fase", "Modulo", "Parte reale", "Parte immaginaria", "Punto"),
    "Portuguese": ("Frequência", "Ganho", "Fase", "Módulo", "Parte real", "Parte imaginária", "Ponto"),
    "Dutch": ("Frequentie", "Versterking", "Fase", "Amplitude", "Reëel", "Imaginair", "Nr"),
    "Swedish": ("Frekvens", "Förstärkning", "Fas", "Belopp |T|", "Realdel", "Imaginärdel", "Nr"),
    "Finnish": ("Taajuus", "Vahvistus", "Vaihe", "Amplitudi", "Reaaliosa", "Imaginaariosa", "Nro"),
    "Polish": ("Częstotliwość", "Wzmocnienie", "Faza", "Moduł", "Część rzeczywista", "Część urojona", "Lp."),
    "Czech": ("Kmitočet", "Zesílení", "Fáze", "Modul", "Reálná část", "Imaginární část", "Č."),
    "Turkish": ("Frekans", "Kazanç", "Faz", "Genlik", "Gerçek", "Sanal", "Sıra"),
    "Russian": ("Частота", "Усиление", "Фаза", "Модуль", "Действительная", "Мнимая", "№"),
    "Greek": ("Συχνότητα", "Κέρδος", "Φάση", "Μέτρο", "Πραγματικό", "Φανταστικό", "Αρ."),
    "Japanese": ("周波数", "利得", "位相", "振幅", "実部", "虚部", "番号"),
    "Chinese": ("频率", "增益", "相位", "幅度", "实部", "虚部", "序号"),
    "Korean": ("주파수", "이득", "위상", "크기", "실수부", "허수부", "번호"),
    "Swahili, told by units": ("Marudio", "Ongezeko", "Awamu", None, None, None, "Namba"),
}
"""Frequency, gain, phase, magnitude, real and imaginary part, index; None where only units tell."""
UNITS_OF = {"Russian": {"Hz": "Гц", "kHz": "кГц", "MHz": "МГц", "dB": "дБ", "deg": "град", "rad": "рад"}}
DEGREE = {"German": "Grad", "Spanish": "grados", "French": "degrés", "Italian": "gradi", "Portuguese": "graus"}
FURTHER = {
    "Group delay (s)": lambda hz, rng: 1e-6 + 1e-7 * rng.normal(size=len(hz)),
    "Coherence": lambda hz, rng: rng.uniform(0.9, 1.0, len(hz)),
    "Source level (dBm)": lambda hz, rng: np.full(len(hz), -20.0),
    "Input amplitude (mV)": lambda hz, rng: 10.0 + rng.normal(size=len(hz)),
    "Noise (dB)": lambda hz, rng: -90.0 + rng.normal(size=len(hz)),
    "Averages": lambda hz, rng: np.full(len(hz), 16.0),
}
GAPS = ("", "NaN", "---", "OVL", "n/a")


@dataclass(frozen=True)
class Export:
    """One file with what it means: its bytes, its draw in words, and the response it holds."""

    content: bytes
    words: str
    hz: np.ndarray
    values: np.ndarray
    gaps: int
    clock: float


def response(rng):
    """An integrator with a zero and two poles around random frequencies, and a small resonance."""
    hz = np.unique(np.geomspace(rng.uniform(20.0, 400.0), rng.uniform(6e4, 1.5e5), rng.integers(25, 90)).round(3))
    cross, zero, pole = 10.0 ** rng.uniform(3.0, 4.3), 10.0 ** rng.uniform(2.5, 3.5), 10.0 ** rng.uniform(4.3, 5.0)
    s = 1j * hz
    values = cross / s * (1.0 + s / zero) / (1.0 + s / pole) / (1.0 + s / (3.0 * pole))
    return hz, values / np.abs(values[int(rng.uniform(0.5, 0.8) * len(hz))])  # passes one well inside the sweep


def number(rng, value, form, decimal):
    """One number as an instrument writes it."""
    text = {"plain": f"{value:.9g}", "exponent": f"{value:.8E}", "fixed": f"{value:.7f}", "signed": f"{value:+.9g}"}[
        form
    ]
    if "e" in text and form == "plain":
        text = f"{value:.10f}" if abs(value) > 1e-4 else text
    return text.replace(".", decimal)


def draw(seed):
    """Draw an export by its seed."""
    rng = np.random.default_rng(seed)
    pick = lambda options: options[int(rng.integers(len(options)))]  # noqa: E731
    hz, values = response(rng)
    language = pick(list(LANGUAGES))
    names = LANGUAGES[language]
    kind = pick(["dB deg", "dB deg", "dB deg", "magnitude deg", "real imaginary", "dB rad"])
    if names[3] is None or language.startswith("Swahili"):
        kind = "dB deg"
    scale = pick([("Hz", 1.0), ("Hz", 1.0), ("kHz", 1e3), ("MHz", 1e6)])
    separator, decimal = pick(
        [(",", "."), (";", ","), (";", "."), ("\t", "."), ("\t", ","), ("   ", "."), ("|", "."), (" ", ",")]
    )
    form = pick(["plain", "exponent", "fixed", "signed"])
    if scale[0] != "Hz" and form == "fixed":
        form = "plain"
    phase = np.degrees(np.unwrap(np.angle(values)))
    turn = pick(["wrapped", "unwrapped", "a turn up"])
    phase = (phase + 180.0) % 360.0 - 180.0 if turn == "wrapped" else phase + (360.0 if turn == "a turn up" else 0.0)
    db = 20.0 * np.log10(np.abs(values))
    unit = {u: u for u in ("Hz", "kHz", "MHz", "dB", "deg", "rad")} | UNITS_OF.get(language, {})
    unit["deg"] = DEGREE.get(language, pick([unit["deg"], "°"]))
    columns = {
        "dB deg": [(names[1], unit["dB"], db), (names[2], unit["deg"], phase)],
        "dB rad": [(names[1], unit["dB"], db), (names[2], unit["rad"], np.radians(phase))],
        "magnitude deg": [(names[3], "", np.abs(values)), (names[2], unit["deg"], phase)],
        "real imaginary": [(names[4], "", values.real), (names[5], "", values.imag)],
    }[kind]
    columns = [(names[0], unit[scale[0]], hz / scale[1]), *columns]
    style = pick([" ({})", " [{}]", " / {}", "({})", ", {}", "line", "none"])
    if separator.strip() == "" and style not in {" ({})", "({})", " [{}]", "line"}:
        style = " ({})"
    if style == "none" and db.min() > -3.0:  # no gain passes one: nothing tells a ratio from decibels
        style = " ({})"
    if separator == "|" and kind == "magnitude deg":
        separator = ";"
    if separator == "," and style == ", {}":
        style = "({})"
    if style == "none" and (scale[0] != "Hz" or language.startswith("Swahili") or kind == "dB rad"):
        style = " ({})"
    if pick([True, False, False]):
        rest = pick(list(FURTHER))
        spaced = rest.replace(" ", "_") if separator.strip() == "" else rest
        columns.append(
            (spaced.split(" (")[0].split("_(")[0], rest.partition("(")[2].strip(")") or "", FURTHER[rest](hz, rng))
        )
    if pick([True, False, False]):
        columns = [columns[0], *(columns[1:][k] for k in rng.permutation(len(columns) - 1))]
    order = pick(["rising", "falling", "shuffled"])
    index = pick([True, False, False])
    rows = np.column_stack([c[2] for c in columns])
    keep = np.arange(len(hz))
    take = {"rising": keep, "falling": keep[::-1], "shuffled": rng.permutation(keep)}[order]
    if pick([True, False, False]):
        take = np.concatenate([take, take[:: int(rng.integers(2, 5))]])
    cells = [[number(rng, v, form, decimal) for v in row] for row in rows[take]]
    gone = set()
    if pick([True, False, False]) and separator.strip() and len(set(take)) == len(take):
        gap = pick(GAPS)
        for row in rng.choice(len(cells), 3, replace=False):
            at = next(k for k, c in enumerate(columns) if c[0] in names[1:6] and k > 0)
            cells[row][at] = gap
            gone.add(int(take[row]))
    if index:
        cells = [[str(k + 1), *row] for k, row in enumerate(cells)]
        columns = [(names[6], "", None), *columns]
    quote = pick([True, False, False, False]) and separator.strip() != ""
    joined = [separator.join(f'"{c}"' if quote else c for c in row) for row in cells]
    if pick([True, False, False, False]):
        joined = [row.replace("-", "\u2212") if form != "exponent" else row for row in joined]
    if separator.strip() and pick([True, False, False, False]):
        joined = [row + separator for row in joined]
    if style == "line":
        heads = [[c[0] for c in columns], [c[1] or ("-" if separator.strip() == "" else "") for c in columns]]
    else:
        heads = [[c[0] + (style.format(c[1]) if c[1] and style != "none" else "") for c in columns]]
    gap = "   " if separator == " " else separator
    heads = [
        [w.replace(" ", "_") if separator.strip() == "" and " (" not in w and " [" not in w else w for w in row]
        for row in heads
    ]
    mark = pick(["#", "%", "!", "//", ""])
    above = (
        [f"{mark} swept on the bench, 16 averages", f"{mark} Vin = 12 V", ""][: int(rng.integers(0, 4))] if mark else []
    )
    above += pick([[], [], ["Start" + gap + "100", "Stop" + gap + "100000"], ["Loop of the buoy supply", ""]])
    footer = pick([[], [], ["", "End of sweep"], ["# 60 points"], ["Crossover: 3.1 kHz"]])
    lead = pick(["", "", "# "]) if mark == "#" else ""
    lines = [*above, *(lead + gap.join(h) for h in heads), *joined, *footer]
    text = pick(["\n", "\r\n", "\r"]).join(lines) + pick(["", "\n"])
    western = (
        language in {"English", "German", "French", "Spanish", "Portuguese", "Italian", "Dutch", "Swedish"}
        and "\u2212" not in text
    )
    encoding = pick(["utf-8", "utf-8", "utf-8-sig", "utf-16", *(["cp1252"] if western else [])])
    left = np.array([k for k in keep if k not in gone])
    words = (
        f"{seed}: {language}, {kind}, {scale[0]}, {separator!r} {decimal}, {form}, {turn}, {style}, {order}, {encoding}"
    )
    return Export(text.encode(encoding), words, hz[left], values[left], len(gone), 250e3)
