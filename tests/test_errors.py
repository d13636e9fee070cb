"""A message stays one that is read, whatever the length of a name that it quotes."""

from rowreckon.errors import LONGEST_PART, UsageError


def test_a_long_name_is_cut_and_the_rest_is_kept() -> None:
    """What is wrong with it, where, and what to do still stand there, with how long the text was."""
    error = UsageError(
        f"the parameters of {'x' * 20_000} are no table of arrays", where="y" * 9_000, hint=f"write [{'z' * 5_000}]"
    )
    said = str(error)
    assert len(said) <= 3 * LONGEST_PART + 10
    assert said.startswith("the parameters of xxx")
    assert "xxx are no table of arrays at yyy" in said
    assert said.endswith("zzz]")
    assert "(20,041 characters)" in said
    assert [len(part or "") for part in (error.what, error.where, error.hint)] == [LONGEST_PART] * 3


def test_what_fits_stays_as_it_is() -> None:
    """Nothing is cut up to the limit."""
    what = "w" * LONGEST_PART
    assert str(UsageError(what, where="line 3", hint="do it")) == f"{what} at line 3; do it"
