"""What is legal but unwise is said, and only that: levels, strips, days, machines, labels."""

from __future__ import annotations

import pytest

from durability.study import FLAGS, check_study

HEAD = "material,direction,exposure,hours,specimen,strength"


def strips(
    levels: dict[int, float], *, n: int = 5, material="A", direction="machine", more=""
) -> str:
    """n strips a level around the strength given, with a scatter of some 4 %."""
    around = (1.0, 1.05, 0.96, 1.02, 0.95, 1.03, 0.99, 0.97)
    return "".join(
        f"{material},{direction},X1,{hours},{i + 1},{value * around[i] + hours / 2333:.3f}{more}\n"
        for hours, value in levels.items()
        for i in range(n)
    )


@pytest.fixture
def said(folder):
    """Cautions of a table of strips by name, apart from those about study.toml."""

    def look(table: str, head: str = HEAD, study: tuple[str, str] | None = None) -> dict[str, list]:
        if study is not None:
            folder.change("study.toml", *study)
        folder.write("specimens.csv", f"{head}\n{table}")
        problems, cautions = check_study(folder.path)
        assert problems == []
        found: dict[str, list] = {}
        for c in cautions:
            assert c.name in FLAGS and c.text
            if c.name != "not_in_data":
                found.setdefault(c.name, []).append(c)
        return found

    return look


SOUND = {0: 20.0, 300: 15.0, 600: 11.0, 900: 7.0}


def test_a_sound_study_raises_no_caution(said):
    assert said(strips(SOUND)) == {}


def test_no_level_beyond_half_is_said_with_what_is_left(said):
    found = said(strips({0: 20.0, 300: 17.0, 600: 14.0}))
    (caution,) = found.pop("no_level_beyond_half")
    assert "machine direction" in caution.text and "71 % (at 600 h)" in caution.text
    assert found == {}


def test_a_threshold_that_no_level_reaches_is_said(said):
    found = said(strips(SOUND), study=("[0.5]", "[0.7, 0.2]"))
    (caution,) = found.pop("threshold_outside")
    assert "20 % is not reached at any level" in caution.text
    assert found == {}


def test_a_threshold_passed_before_the_first_level_is_said(said):
    found = said(strips({0: 20.0, 600: 8.0, 900: 5.0}))
    (caution,) = found.pop("threshold_outside")
    assert "50 % is passed before the first level (600 h)" in caution.text
    assert found == {}


def test_a_required_strength_outside_the_levels_is_said(said):
    found = said(strips(SOUND), study=("thresholds = [0.5]", 'required_strength = "4 kN/m"'))
    (caution,) = found["threshold_outside"]
    assert "4 kN/m is not reached" in caution.text


def test_readings_that_never_come_to_half_are_said(folder):
    folder.change("study.toml", 'specimens = "specimens.csv"', 'readings = "r.csv"')
    rows = [f"A,X1,{h},s{i},{v + i}\n" for h, v in ((0, 90), (300, 80), (600, 60)) for i in (1, 2)]
    folder.write("r.csv", "material,exposure,hours,specimen,value\n" + "".join(rows))
    names = {c.name: c for c in check_study(folder.path)[1]}
    assert "67 % (at 600 h)" in names["no_level_beyond_half"].text
    folder.write("r.csv", "material,exposure,hours,specimen,value\n" + "".join(rows[2:]))
    names = {c.name: c for c in check_study(folder.path)[1]}
    assert names["no_unexposed_strips"].text == "the study has no readings before exposure"


def test_all_levels_at_one_dose_is_said(said):
    assert "one_dose_level" in said(strips({0: 20.0, 500: 9.0}))


def test_a_rising_property_has_no_half_loss(said, folder):
    folder.change("study.toml", "invented = true", 'invented = true\nchanges = "rises"')
    found = said(strips({0: 20.0, 300: 25.0, 600: 30.0}), study=("[0.5]", "[2.0, 1.3]"))
    (caution,) = found.pop("threshold_outside")
    assert "200 % is not reached" in caution.text and found == {}


def test_controls_in_the_dark_need_no_half_loss(said, folder):
    folder.change(
        "study.toml",
        "[materials.A]\n",
        '[exposures.D]\ncontrol = "dark"\nof = "X1"\n[materials.A]\n',
    )
    dark = strips({300: 19.0, 600: 19.5}).replace(",X1,", ",D,")
    assert said(strips(SOUND) + dark) == {}


@pytest.mark.parametrize(
    ("n", "names"), [(2, {"few_strips"}), (4, {"fewer_than_practice"}), (5, set())]
)
def test_fewer_strips_than_the_practice_asks(said, n, names):
    found = said(strips(SOUND, n=n))
    assert set(found) == names
    for c in (c for cs in found.values() for c in cs):
        assert "4 of 4 groups" in c.text


def test_fewer_strips_behind_a_summary(folder):
    folder.change("study.toml", 'specimens = "specimens.csv"', 'summaries = "means.csv"')
    folder.write("means.csv", "material,exposure,hours,mean,sd,n\nA,X1,0,20,1,5\nA,X1,9,8,1,3\n")
    cautions = {c.name: c for c in check_study(folder.path)[1]}
    assert cautions["fewer_than_practice"].text.startswith("1 of 2 groups")


@pytest.mark.parametrize(
    ("column", "before", "after", "name"),
    [
        ("tested_on", "2031-05-14", "2031-07-02", "unexposed_on_another_day"),
        ("machine", "M1", "M2", "unexposed_on_another_machine"),
    ],
)
def test_unexposed_strips_tested_apart_are_said(said, column, before, after, name):
    start = strips({0: 20.0}, more=f",{before}")
    levels = {h: s for h, s in SOUND.items() if h}
    found = said(start + strips(levels, more=f",{after}"), f"{HEAD},{column}")
    assert set(found) == {name} and before in found[name][0].text
    together = strips({0: 20.0}, n=4, more=f",{before}") + f"A,machine,X1,0,5,19.123,{after}\n"
    assert said(together + strips(levels, more=f",{after}"), f"{HEAD},{column}") == {}


def test_a_direction_left_out_of_some_rows_is_said(said):
    table = strips(SOUND).replace("A,machine,X1,600,2", "A,,X1,600,2")
    caution = said(table)["label_left_out"][0]
    assert caution.rows == (13,) and caution.column == "direction"


def test_rows_that_a_filter_hides_are_said(folder):
    import io

    import openpyxl

    book = openpyxl.Workbook()
    for line in (f"{HEAD}\n" + strips(SOUND)).splitlines():
        book.worksheets[0].append(
            [float(c) if c.replace(".", "").isdigit() else c for c in line.split(",")]
        )
    for row in (7, 8):
        book.worksheets[0].row_dimensions[row].hidden = True
    out = io.BytesIO()
    book.save(out)
    folder.change("study.toml", "specimens.csv", "s.xlsx").write("s.xlsx", out.getvalue())
    problems, cautions = check_study(folder.path)
    assert problems == []
    (caution,) = [c for c in cautions if c.name == "hidden_rows"]
    assert caution.rows == (7, 8)


# Damage, as a reader of a folder sees it


def test_a_strength_off_by_a_little_from_its_force_is_said_and_the_force_used(said, folder):
    from durability.study import read_study

    rows = strips(SOUND, more=",,").splitlines()
    made = []
    for i, row in enumerate(rows):
        strength = float(row.split(",")[5])
        stated = strength * (1.02 if i == 6 else 1)
        made.append(f"{row.rsplit(',', 3)[0]},{stated:.2f},{strength * 50:.1f},50.0")
    found = said("\n".join(made), f"{HEAD},peak_force [N],width [mm]")
    (caution,) = found.pop("force_width_strength_disagree")
    assert caution.rows == (8,) and "2 %" in caution.text and found == {}
    force = float(made[6].split(",")[6])
    assert read_study(folder.path).rows["strength"].values[6] == pytest.approx(force / 50)


def test_a_decimal_that_slipped_is_said(said):
    rows = strips(SOUND).splitlines()
    cells = rows[7].split(",")
    cells[5] = f"{float(cells[5]) / 10:.4f}"
    rows[7] = ",".join(cells)
    (caution,) = said("\n".join(rows))["decimal_slip"]
    assert caution.row == 9 and "multiplied by 10" in caution.text


def test_a_group_that_hardly_scatters_is_said(said):
    rows = strips(SOUND).splitlines()
    for i in range(5, 10):
        rows[i] = ",".join([*rows[i].split(",")[:5], f"15.00{i}"])
    (caution,) = said("\n".join(rows))["scatter_too_small"]
    assert caution.row == 7 and "5 strips" in caution.text


def test_means_in_the_place_of_strips_are_asked_about(said):
    table = "".join(
        f"A,machine,X1,{h},{i},{s + 0.011 * i:.3f}\n" for h, s in SOUND.items() for i in range(5)
    )
    (caution,) = said(table)["scatter_too_small"]
    assert "Are these means, or smoothed?" in caution.text


def test_blanks_where_nothing_was_left_are_asked_about_once(said):
    rows = strips({**SOUND, 1200: 2.0}).splitlines()
    for i in (20, 22, 23):
        rows[i] = ",".join([*rows[i].split(",")[:5], ""])
    found = said("\n".join(rows))
    (caution,) = found["blanks_where_little_is_left"]
    assert caution.rows == (22, 24, 25) and "too weak to test?" in caution.text
    assert '"below"' in caution.text and "blank_strength" not in found


def test_a_series_made_from_another_is_said(said):
    copy = []
    for row in strips(SOUND).splitlines():
        cells = row.split(",")
        copy.append(",".join([cells[0], "cross", *cells[2:5], f"{float(cells[5]) * 0.9:.3f}"]))
    (caution,) = said(strips(SOUND) + "\n".join(copy))["constant_multiple"]
    assert "0.9 times" in caution.text and len(caution.rows) == 20


def test_a_mean_that_was_copied_is_said(folder):
    folder.change("study.toml", 'specimens = "specimens.csv"', 'summaries = "m.csv"')
    means = [20.137, 18.412, 15.953, 13.077, 9.871, 7.264, 15.953, 4.018]
    rows = "".join(f"A,X1,{100 * i},{m},1,5\n" for i, m in enumerate(means))
    folder.write("m.csv", f"material,exposure,hours,mean,sd,n\n{rows}")
    (caution,) = [c for c in check_study(folder.path)[1] if c.name == "repeated_force"]
    assert caution.rows == (4, 8) and "same mean 15.953" in caution.text


def planned(levels: dict[int, float], waiting: tuple[int, ...], *, more: str = "") -> str:
    """Strips as tested, and rows of later withdrawals in which nothing was written."""
    blank = "".join(f"A,machine,X1,{h},{i + 1},{more}\n" for h in waiting for i in range(5))
    return strips(levels) + blank


def test_withdrawals_still_to_come_are_said_once_and_left_out_of_the_table(said, folder):
    from durability.retention import retention_table, with_strength
    from durability.study import read_study

    found = said(planned({0: 20.0, 300: 15.0}, (600, 900)))
    (caution,) = found["not_tested_yet"]
    assert "no strip of 600 h, 900 h has a result (10 strips)" in caution.text
    assert not {"blank_strength", "blanks_where_little_is_left"} & set(found)
    shown = retention_table(with_strength(read_study(folder.path)))
    assert [r["hours"] for r in shown if r["lot"] != "all"] == [0.0, 300.0]


def test_blank_withdrawals_after_little_was_left_are_asked_about(said):
    found = said(planned({0: 20.0, 300: 15.0, 600: 6.0}, (900,)))
    assert "not_tested_yet" not in found and "blanks_where_little_is_left" in found
    assert "stand at 900 h or beyond" in found["blanks_where_little_is_left"][0].text


def test_strips_with_a_day_of_testing_are_not_still_to_come(said):
    tested = "".join(
        f"{row},2031-05-01\n" for row in planned({0: 20.0, 300: 15.0}, (600,)).splitlines()
    )
    assert "not_tested_yet" not in said(tested, head=f"{HEAD},tested_on")
