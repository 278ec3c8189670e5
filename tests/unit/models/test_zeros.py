"""Zeros of the averaged model against the QZ algorithm of LAPACK, and where one is known by hand."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.linalg import eig
from stages import BUCK, averaged_at, converter, one_inductor

from loopdesign.case import STAGES, parse_case, template
from loopdesign.corners.converters import line_load_corners, solved
from loopdesign.models.averaged import INPUTS, OUTPUTS, average, by_mode
from loopdesign.models.roots import FARTHEST_ZERO, zeros_hz


def by_qz(model, item, source, output):
    """Finite generalised eigenvalues of the system pencil [Hz], by LAPACK's ggev."""
    n = model.A.shape[-1]
    j, i = INPUTS.index(source), OUTPUTS.index(output)
    pencil = np.zeros((n + 1, n + 1))
    pencil[:n, :n], pencil[:n, n] = model.A[item], model.B[item, :, j]
    pencil[n, :n], pencil[n, n] = model.C[item, i], model.D[item, i, j]
    scale = np.abs(pencil).max(axis=1)[:, None]
    alpha, beta = eig(pencil / scale, np.diag([1.0] * n + [0.0]) / scale, right=False, homogeneous_eigvals=True)
    finite = np.abs(alpha) < 2.0 * np.pi * FARTHEST_ZERO * np.abs(beta)
    return alpha[finite] / beta[finite] / (2.0 * np.pi * model.period[item])


@pytest.mark.parametrize("topology", [t for t in STAGES if t != "custom"])
def test_zeros_are_those_of_qz(topology):
    case = parse_case(template(topology), "case.toml")
    conv, point = solved(case, line_load_corners(case))
    compared = 0
    for items in by_mode(point):
        model = average(point.take(items), conv.modulator)
        for k in range(len(items)):
            for source, output in (("control", "v(regulated)"), ("line", "v(out)"), ("control", "i(line)")):
                found, expected = zeros_hz(model, k, source, output), by_qz(model, k, source, output)
                assert len(found) == len(expected)
                for zero in expected:
                    assert np.abs(found - zero).min() < 1e-9 * abs(zero)
                compared += len(expected)
    assert compared


@pytest.mark.parametrize("periods", [1e-3, 1.0, 500.0])
def test_zero_of_a_series_resistance_is_where_it_is_by_hand(periods):
    """1 / (2 pi esr C) of a lossless buck (common practice), also where it lies far above the switching frequency."""
    fs, C = 200e3, 100e-6
    esr = 1.0 / (2.0 * np.pi * periods * fs * C)
    model = averaged_at(converter(BUCK, one_inductor(22e-6, C, esr=esr), 24.0, 12.0, 2.0, fs), 0.5)
    assert_allclose(zeros_hz(model, 0).real, [-periods * fs], rtol=1e-11)
