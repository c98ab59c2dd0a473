"""Damage to tables: columns, cells, rows."""

from __future__ import annotations

import contextlib

from .draft import NUMBERS, Draft, Rng, column, damage, fill, one_of, rows_of, some_rows, table, table_with


@damage
def column_lost(draft: Draft, rng: Rng) -> str:
    name = table(draft, rng)
    with rows_of(draft, name) as rows:
        at = column(rows, rng)
        head = rows[0][at]
        rows[:] = [row[:at] + row[at + 1 :] for row in rows]
    return f"{name} {head}"


@damage
def column_renamed(draft: Draft, rng: Rng) -> str:
    name = table(draft, rng)
    with rows_of(draft, name) as rows:
        at = column(rows, rng)
        head = rows[0][at]
        news = (head.upper(), f" {head} ", f"{head}x", head[:-1], "", "tmin_f", "elevation_ft", "área", "x" * 3000)
        rows[0][at] = one_of(rng, news)
        return f"{name} {head} {rows[0][at][:40]!r}"


@damage
def column_doubled(draft: Draft, rng: Rng) -> str:
    name = table(draft, rng)
    with rows_of(draft, name) as rows:
        at = column(rows, rng)
        rows[:] = [[*row, row[at] if at < len(row) else ""] for row in rows]
        return f"{name} {rows[0][at]}"


@damage
def column_unnamed(draft: Draft, rng: Rng) -> str:
    name = table(draft, rng)
    with rows_of(draft, name) as rows:
        rows[:] = [["" if i == 0 else "seen", *row] for i, row in enumerate(rows)]
    return name


@damage
def headers_swapped(draft: Draft, rng: Rng) -> str:
    name = table(draft, rng)
    with rows_of(draft, name) as rows:
        a, b = column(rows, rng), column(rows, rng)
        rows[0][a], rows[0][b] = rows[0][b], rows[0][a]
        return f"{name} {rows[0][a]} {rows[0][b]}"


@damage
def header_lost(draft: Draft, rng: Rng) -> str:
    name = table(draft, rng)
    with rows_of(draft, name) as rows:
        del rows[0]
    return name


@damage
def header_again(draft: Draft, rng: Rng) -> str:
    name = table(draft, rng)
    with rows_of(draft, name) as rows:
        rows.insert(int(rng.integers(1, len(rows) + 1)), list(rows[0]))
    return name


@damage
def rows_lost(draft: Draft, rng: Rng) -> str:
    name = table(draft, rng)
    with rows_of(draft, name) as rows:
        left = one_of(rng, (0, 1, 2, 5))
        del rows[1 + left :]
    return f"{name} {left} left"


# Cells.

ODD_NUMBERS = (
    *("nan", "NaN", "inf", "-inf", "Infinity", "1e308", "-1e308", "1e309", "1e-320", "-0", "-0.0", "+5", ".5", "5."),
    *("9" * 400, "0." + "3" * 400, "1e", "--3", "1_000", "0x1F", "٣", "１２", "½", "−4", "1 2", "1,5", "12 m", "∞"),
    *("1.2.3", "#DIV/0!", "=1+1", "true", "null", "N/A", "-", "?", "1e400", "999", "-999", "-9999", "99.9"),
)
ODD_DATES = (
    *("31.05.2024", "05/31/2024", "2024/05/31", "2024-5-31", "20240531", "45443", "2024-05-31T00:00", "31 May 2024"),
    *("2023-02-29", "2023-02-30", "2024-13-01", "2024-00-10", "2024-01-00", "0000-00-00", "2024-151", "2024-W22-5"),
    *("２０２４-05-31", "2024–05–31", "-2024-05-31", "2024-05-31 ", "yesterday", "NaT", "9" * 30, "2024-05", "2024"),
)
FAR_DATES = (
    "0001-01-01",
    "1066-10-14",
    "1799-12-31",
    "1800-01-01",
    "1900-02-28",
    "2999-01-01",
    "9999-12-31",
    "2050-06-01",
)
ODD_WORDS = (
    *(
        "<script>alert(1)</script>",
        "🦟🦟",
        "\u202eيربوع\u202c",
        "بحيرة",
        "../../x",
        "..\\..\\x",
        "CON",
        "nul.txt",
        "/etc/x",
    ),
    *(
        "two\nlines",
        "tab\there",
        'quote"d',
        "a,b",
        "'; DROP TABLE lakes; --",
        "=cmd|' /C calc'!A0",
        "%s%n{0}",
        "\u200b",
    ),
    *(
        "\ufeff",
        "\x1b[31mred\x1b[0m",
        "\x07",
        "e\u0301" * 40,
        "Ⅻ",
        "İ",
        "ß",
        " ",
        "nan",
        "NA",
        "None",
        "True",
        "0",
        "-",
        ".",
    ),
    *(
        "x" * 10_000,
        "ö" * 70,
        "\udcff",
        "yes ",
        "YES",
        "maybe",
        "\r",
        "a\u2028b",
        "\u0085",
        "[red]x[/red]",
        "\\N{DASH}",
    ),
)
LONG = ("y" * 10_000, "7" * 10_000, '"' * 9_999, "z" * 140_000, "é" * 10_000, "a b " * 2_500)


@damage
def cells_blank(draft: Draft, rng: Rng) -> str:
    return fill(draft, rng, ("", " ", "\u00a0"), ())


@damage
def numbers_odd(draft: Draft, rng: Rng) -> str:
    return fill(draft, rng, ODD_NUMBERS, NUMBERS)


@damage
def numbers_odd_in_lakes(draft: Draft, rng: Rng) -> str:
    return fill(draft, rng, ODD_NUMBERS, NUMBERS, one_of(rng, ("lakes", "stations")))


@damage
def numbers_scaled(draft: Draft, rng: Rng) -> str:
    name = table(draft, rng)
    factor = one_of(rng, (-1.0, 10.0, 1000.0, 0.001, 0.0, 1e300))
    with rows_of(draft, name) as rows:
        at = column(rows, rng, NUMBERS)
        for i in some_rows(rows, rng):
            with contextlib.suppress(ValueError, IndexError):
                rows[i][at] = repr(float(rows[i][at]) * factor)
        return f"{name} {rows[0][at] if rows[0] else ''} {factor}"


@damage
def dates_odd(draft: Draft, rng: Rng) -> str:
    return fill(draft, rng, ODD_DATES, ("date",))


@damage
def dates_of_all_rows_in_another_form(draft: Draft, rng: Rng) -> str:
    name = table_with(draft, rng, "date")
    form = one_of(rng, ("{2}.{1}.{0}", "{1}/{2}/{0}", "{0}{1}{2}", "{0}-{2}-{1}", "{0}-{1}-{2}T12:00"))
    with rows_of(draft, name) as rows:
        at = column(rows, rng, ("date",))
        for row in rows[1:]:
            with contextlib.suppress(IndexError):
                row[at] = form.format(*row[at].split("-"))
    return f"{name} {form}"


@damage
def dates_far(draft: Draft, rng: Rng) -> str:
    return fill(draft, rng, FAR_DATES, ("date",))


@damage
def words_odd(draft: Draft, rng: Rng) -> str:
    words = ("name", "region", "notes", "note", "observer", "taxon", "stage", "level", "event", "residence", "stems")
    return fill(draft, rng, ODD_WORDS, (*words, "share", "lake_id", "station_id"))


@damage
def lake_words_odd(draft: Draft, rng: Rng) -> str:
    return fill(draft, rng, ODD_WORDS, ("name", "region", "notes"), "lakes")


@damage
def cells_long(draft: Draft, rng: Rng) -> str:
    return fill(draft, rng, LONG, ())


@damage
def cells_shifted(draft: Draft, rng: Rng) -> str:
    name = table(draft, rng)
    with rows_of(draft, name) as rows:
        for i in some_rows(rows, rng):
            rows[i] = one_of(rng, (["", *rows[i]], rows[i][1:], [*rows[i], "extra"], rows[i] * 3, rows[i][:1]))
    return name


# Rows.


@damage
def rows_doubled(draft: Draft, rng: Rng) -> str:
    name = table(draft, rng)
    with rows_of(draft, name) as rows:
        rows += [list(rows[i]) for i in some_rows(rows, rng)]
    return name


@damage
def rows_contradict(draft: Draft, rng: Rng) -> str:
    name = table(draft, rng)
    with rows_of(draft, name) as rows:
        for i in some_rows(rows, rng):
            twin = list(rows[i])
            twin[-1] = one_of(rng, (*twin, "12.5", "no", "off"))
            rows.append(twin)
    return name


@damage
def rows_shuffled(draft: Draft, rng: Rng) -> str:
    name = table(draft, rng)
    with rows_of(draft, name) as rows:
        rows[1:] = [rows[i + 1] for i in rng.permutation(max(len(rows) - 1, 0))]
    return name


@damage
def rows_many(draft: Draft, rng: Rng) -> str:
    with rows_of(draft, table(draft, rng)) as rows:
        rows += [list(rows[-1]) for _ in range(4000)]
        return f"{len(rows)} rows"


@damage
def blank_lines(draft: Draft, rng: Rng) -> str:
    name = table(draft, rng)
    lines = draft.files[name].split(b"\n")
    for _ in range(5):
        lines.insert(int(rng.integers(len(lines) + 1)), one_of(rng, (b"", b",,,", b"   ", b",,,,,,,,,,,,,,,,")))
    draft.files[name] = b"\n".join(lines)
    return name
