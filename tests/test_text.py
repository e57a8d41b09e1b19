"""Lines for a terminal."""

from pullbook.text import fold


def test_lines_of_yaml_are_left_whole_so_that_they_can_be_copied():
    column = '  charge_air_temperature: {column: "Intake Air Temperature behind everything else in this car [°C]"}'
    sentence = "note: one sensor was found, and it can sit in two places; look which it is, then put into the file:"
    lines = fold(f"{sentence}\nchannels:\n{column}\n{sentence}").splitlines()
    copied = lines.index("  channels:")
    assert lines[copied + 1] == "  " + column
    assert [len(line) <= 80 for line in lines] == [k != copied + 1 for k in range(len(lines))]
    assert " ".join(line.strip() for line in lines[:copied]) == sentence
