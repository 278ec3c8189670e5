"""Files as analysers export them, each written here from one known response; and files that are none."""

import numpy as np
import pytest

import loopdesign as ld
from loopdesign.bench.reading.measurement import read_measurement

HZ = np.geomspace(100.0, 90e3, 40)
T = 300.0 / (1j * HZ / 100.0) / (1.0 + 1j * HZ / 20e3)
"""An integrator with a pole, rounded in the files to seven digits."""
DB, DEG = 20.0 * np.log10(np.abs(T)), np.degrees(np.angle(T))
CLOCK = 250e3


def table(columns, separator=",", decimal="."):
    rows = [[f"{v:.9g}".replace(".", decimal) for v in row] for row in zip(*columns, strict=True)]
    return [separator.join(row) for row in rows]


def read(tmp_path, text, name="board.csv"):
    path = tmp_path / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode("utf-8"))
    return read_measurement(path, CLOCK)


POLAR, COMPLEX = table((HZ, DB, DEG)), table((HZ, T.real, T.imag))
GOOD = {
    "german": ["Frequenz / Hz;Betrag / dB;Phase / Grad", *table((HZ, DB, DEG), ";", ",")],
    "french": ["Fréquence (kHz);Gain (dB);Phase (°)", *table((HZ / 1e3, DB, DEG), ";", ",")],
    "spanish": ["Frecuencia [Hz]\tGanancia [dB]\tFase [grados]", *table((HZ, DB, DEG), "\t", ",")],
    "japanese": ["周波数(Hz),利得(dB),位相(deg)", *POLAR],
    "russian": ["Частота, кГц;Усиление, дБ;Фаза, град", *table((HZ / 1e3, DB, DEG), ";", ",")],
    "finnish, told by units": ["Taajuus [Hz],Vahvistus [dB],Vaihe [°]", *POLAR],
    "megahertz": ["Freq MHz,dB,deg", *table((HZ / 1e6, DB, DEG))],
    "real and imaginary": ["Frequency (Hz),Re(T),Im(T)", *COMPLEX],
    "magnitude and phase": ["f/Hz,|T|,arg/deg", *table((HZ, np.abs(T), DEG))],
    "blanks": ["Frequency (Hz)  Gain (dB)  Phase (deg)", *table((HZ, DB, DEG), "   ")],
    "single blanks": ["Frequency (Hz) Gain (dB) Phase (deg)", *table((HZ, DB, DEG), " ")],
    "line of units": ["Frequency;Gain;Phase", "Hz;dB;deg", *table((HZ, DB, DEG), ";")],
    "index column": ["Point,Frequency (Hz),Gain (dB),Phase (deg)", *table((np.arange(40) + 1, HZ, DB, DEG))],
    "further columns": ["Phase (deg),Delay (s),Frequency (Hz),Gain (dB)", *table((DEG, 0 * HZ, HZ, DB))],
    "comments and footer": [
        "# swept on the bench",
        "% two",
        "Hz,dB,deg",
        *POLAR[:9],
        "# pause",
        *POLAR[9:],
        "",
        "end of sweep",
    ],
    "rows upside down": ["Hz,dB,deg", *POLAR[::-1]],
    "no header, polar": POLAR,
    "no header, complex": COMPLEX,
    "radians": ["Hz,dB,rad", *table((HZ, DB, np.radians(DEG)))],
    "turns added": ["Hz,dB,deg", *table((HZ, DB, DEG - 360.0))],
    "quoted": ['"Frequency (Hz)","Gain (dB)","Phase (deg)"', *('"' + r.replace(",", '","') + '"' for r in POLAR)],
    "kilohertz unsaid": ["Frequency,Gain (dB),Phase (deg)", *table((HZ / 1e3, DB, DEG))],
}


@pytest.mark.parametrize("name", GOOD)
def test_layouts_give_the_same_response(tmp_path, name):
    found = read(tmp_path, "\n".join(GOOD[name]))
    np.testing.assert_allclose(found.frequencies_hz, HZ, rtol=1e-8)
    np.testing.assert_allclose(found.values, T, rtol=1e-6)
    assert found.dropped == ()


@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-16", "cp1252"])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_encodings_and_line_ends(tmp_path, encoding, end):
    text = end.join(["Fréquence (Hz);Gain (dB);Phase (°)", *table((HZ, DB, DEG), ";", ","), ""])
    np.testing.assert_allclose(read(tmp_path, text.encode(encoding)).values, T, rtol=1e-6)


def test_gaps_are_dropped_with_row_and_reason(tmp_path):
    rows = list(POLAR)
    rows[3] = rows[3].split(",")[0] + ",,"
    rows[7] = rows[7].split(",")[0] + ",OVL,NaN"
    found = read(tmp_path, "\n".join(["Hz,dB,deg", *rows]))
    assert [d.row for d in found.dropped] == [5, 9]
    assert len(found.values) == 38
    assert all("missing" in d.reason for d in found.dropped)


def test_repeats_are_averaged(tmp_path):
    twice = table((HZ, T.real, T.imag + 2e-3))
    found = read(tmp_path, "\n".join(["Hz,Real,Imag", *COMPLEX, *twice]))
    assert found.repeats == 40
    np.testing.assert_allclose(found.values, T + 1e-3j, rtol=1e-6)


def test_hundred_thousand_rows(tmp_path):
    hz = np.geomspace(100.0, 1e5, 100_000)
    lines = ["Hz;dB;deg", *table((hz, -hz / 1e4, -hz / 1e3), ";", ",")]
    found = read(tmp_path, "\n".join(lines))
    np.testing.assert_allclose(20.0 * np.log10(np.abs(found.values)), -hz / 1e4, rtol=1e-6, atol=1e-7)


HEAD = "Frequency (Hz),Gain (dB),Phase (deg)\n"
BAD = {
    "empty": ("", "is empty"),
    "blank": (" \n\n", "is empty"),
    "words only": ("nothing here\nat all\n", "no row of three numbers"),
    "few points": (HEAD + "\n".join(POLAR[:4]), "only 4 points"),
    "zero frequency": (HEAD + "0,1,2\n" + "\n".join(POLAR), "row 2: a frequency must be above zero; found 0"),
    "negative frequency": (HEAD + "\n".join(POLAR) + "\n-5,1,2", "must be above zero; found -5"),
    "text among numbers": (
        HEAD + "\n".join([*POLAR[:5], "1e3,about 3,4", *POLAR[5:]]),
        "row 7, column 2: expected a number",
    ),
    "ambiguous": ("\n".join(table((HZ, np.abs(T), np.abs(T), DEG))), "which column is which"),
    "binary": (bytes(range(256)) * 20, "binary file"),
    "spreadsheet": (b"PK\x03\x04" + bytes(100), "spreadsheet"),
    "network parameters": ("! vna\n# HZ S RI R 50\n" + "\n".join(table((HZ, DB, DEG), " ")), "network parameters"),
}


@pytest.mark.parametrize("name", BAD)
def test_bad_files_get_a_sentence(tmp_path, name):
    text, told = BAD[name]
    with pytest.raises(ld.DataError, match=told) as caught:
        read(tmp_path, text)
    assert "\n" not in str(caught.value)
    assert "board.csv" in str(caught.value)


def test_missing_file_and_folder(tmp_path):
    with pytest.raises(ld.DataError, match="no such file"):
        read_measurement(tmp_path / "none.csv", CLOCK)
    with pytest.raises(ld.DataError, match="not an ordinary file"):
        read_measurement(tmp_path, CLOCK)
