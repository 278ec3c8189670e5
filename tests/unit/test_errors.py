"""The tree of errors: exit statuses as the design lists them, and what each error carries."""

import pytest

from loopdesign import errors


@pytest.mark.parametrize(
    ("name", "status"),
    [
        ("CaseError", 2),
        ("QuantityError", 2),
        ("CircuitError", 2),
        ("DataError", 2),
        ("UnreachableOutputError", 3),
        ("NoDesignError", 3),
        ("ConvergenceError", 3),
    ],
)
def test_exit_status_and_place_in_the_tree(name, status):
    kind = getattr(errors, name)
    assert issubclass(kind, errors.LoopDesignError)
    assert kind.exit_status == status
    assert name in errors.__doc__


def test_quantity_error_is_a_value_error():
    with pytest.raises(ValueError, match=r'"x" is odd; expected y \(do z\)'):
        raise errors.QuantityError("is odd", found='"x"', expected="y", hint="do z")


def test_unreachable_output_carries_its_numbers():
    error = errors.UnreachableOutputError(
        "out of reach", input_voltage=8.0, load_current=1.5, target=30.0, highest_output=21.0, duty=0.83
    )
    assert (error.input_voltage, error.load_current, error.target) == (8.0, 1.5, 30.0)
    assert (error.highest_output, error.duty) == (21.0, 0.83)


def test_no_design_carries_the_nearest_miss():
    error = errors.NoDesignError("none fits", nearest={"R1": 12e3}, obstacles=["phase margin 48 deg"])
    assert error.nearest == {"R1": 12e3}
    assert error.obstacles == ("phase margin 48 deg",)
    assert errors.NoDesignError("none fits").nearest == {}


def test_fault_without_a_place():
    assert str(errors.Fault(file="a.toml", message="the file is empty")) == "a.toml: the file is empty"
    assert str(
        errors.Fault(file="a.toml", line=2, column=3, key="k", message="m", found="f", expected="e", hint="h")
    ) == ("a.toml:2:3: k: m; found f; expected e\n    hint: h")
