"""What a fault says: what is missing, what is allowed, the nearest of many names."""

import pytest

from eo_risk import reference
from eo_risk.errors import Fault, InputError, nearest, unknown_name
from eo_risk.files import read_bytes


def test_a_missing_value_is_not_said_to_be_forbidden():
    missing = Fault("--cycle", "nothing", "", "a name of the site file", "Name one.")
    assert str(missing) == "--cycle: nothing is given; needed: a name of the site file. Name one."
    wrong = Fault("cycle.exposure_h", "-1", "h", "more than 0 to 100 h", "Correct it.")
    assert wrong.said == "-1 h is not allowed; allowed: more than 0 to 100 h. Correct it."


@pytest.mark.parametrize(("given", "said"), [("-1", "-1 mm"), ("2mm", "2mm"), ("0,x", "0,x")])
def test_text_that_is_no_number_is_not_given_a_unit(given, said):
    fault = Fault("lumens[0].bore_mm", given, "mm", "more than 0 mm", "Correct it.")
    assert fault.said.startswith(f"{said} is not allowed")


def test_a_file_that_is_not_there_is_not_said_to_be_forbidden(tmp_path):
    with pytest.raises(InputError, match="nothing is given; needed: a file that can be read"):
        read_bytes(tmp_path / "none.json", "plan")


def test_a_short_list_is_printed_whole_in_its_own_order():
    said = unknown_name("cycle.gas.balance", "nitrogen", ["none", "co2", "n2"], "Choose.").allowed
    assert said == "one of: none, co2, n2"
    assert nearest("x", []) == "none"
    assert nearest("x", ["forceps, set of six", "tube"]) == 'one of: "forceps, set of six", tube'


def test_of_a_long_list_the_nearest_names_are_printed_whatever_the_letters():
    names = reference.materials()
    assert nearest("Silicon", names).startswith("closest: silicone, ")
    assert nearest("zzz", names).count(",") == 2
