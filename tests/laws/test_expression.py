"""Is a formula read as arithmetic and nothing else?"""

from __future__ import annotations

import contextlib
import time

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from durability.laws import ExpressionError, parse
from durability.laws.expression import FUNCTIONS

# formula, and the column (from 1) of the fault
HOSTILE = [
    ("u.real", 1),
    ("1 + u.real", 5),
    ("exp.__call__(u)", 1),
    ("u.__class__.__base__.__subclasses__()", 1),
    ("__import__('os')", 1),
    ("__import__('os').system('true')", 1),
    ("__builtins__", 1),
    ("u + __debug__", 5),
    ("eval('u')", 1),
    ("exec('u')", 1),
    ("open('x')", 1),
    ("getattr(u, 'x')", 1),
    ("globals()", 1),
    ("print(u)", 1),
    ("breakpoint()", 1),
    ("exp", 1),
    ("u + x", 5),
    ("[u for u in u]", 1),
    ("{u for u in u}", 1),
    ("{u: u for u in u}", 1),
    ("(u for u in u)", 1),
    ("[u]", 1),
    ("{u}", 1),
    ("{}", 1),
    ("(u, k)", 1),
    ("u,", 1),
    ("u[0]", 1),
    ("u[::1]", 1),
    ("lambda: u", 1),
    ("(lambda u: u)(1)", 1),
    ("(u := 1)", 2),
    ("u = 1", None),
    ("u; k", None),
    ("import os", None),
    ("yield u", None),
    ("(yield)", 2),
    ("await u", 1),
    ("*u", None),
    ("exp(*u)", 5),
    ("exp(**u)", 1),
    ("exp(x=u)", 1),
    ("exp()", 1),
    ("exp(u, u)", 1),
    ("maximum(u)", 1),
    ("exp(u)(u)", 1),
    ("f'{u}'", 1),
    ("'u'", 1),
    ("b'u'", 1),
    ("'%s' % u", 1),
    ("1j", 1),
    ("u + 2j", 5),
    ("True", 1),
    ("None", 1),
    ("...", 1),
    ("u and k", 1),
    ("u or k", 1),
    ("not u", 1),
    ("~u", 1),
    ("u if k else 1", 1),
    ("u < k", 1),
    ("u == k", 1),
    ("u is k", 1),
    ("u in k", 1),
    ("where(u, 1, 0)", 7),
    ("where(0 < u < 1, 1, 0)", 7),
    ("where(u == 1, 1, 0)", 7),
    ("where(u < 1, 1)", 1),
    ("u // k", 1),
    ("u % k", 1),
    ("u @ k", 1),
    ("u << 2", 1),
    ("u | k", 1),
    ("u ^ k", 1),
    ("9**9**9", 4),
    ("9**9**9**9**9**9", 4),
    ("u**(9**9)", 5),
    ("u**101", 4),
    ("u**-1e9", 4),
    ("u**--101", 4),
    ("1e400", 1),
    ("1e16", 1),
    ("9" * 400, 1),
    ("u + " + "9" * 400, 5),
    ("u" * 501, 500),
    ("-" * 300 + "u", None),
    ("exp(" * 60 + "u" + ")" * 60, None),
    ("+".join(["u"] * 240), None),
    ("ｕ", 1),  # full-width letter, which Python would read as u
    ("еxp(u)", 1),  # Cyrillic letter
    ("exp(−u)", 5),  # minus sign of print
    ("u²", 2),
    ("exp(\u200bu)", 5),  # a space of no width
    ("exp(u\u202e)", 6),  # turns the reading direction
    ("u\n+ k", 2),
    ("u\x00", 2),
    ("u\\\n", 3),
    ("", None),
    ("   ", None),
    ("# u", None),
    ("u k", None),
    ("exp(u", None),
    ("u!", None),
    ("1__0", None),
    ("1if u else k", None),
    ("0or u", None),
]


@pytest.mark.parametrize(("text", "column"), HOSTILE, ids=[repr(t[:24]) for t, _ in HOSTILE])
def test_what_is_not_arithmetic_is_refused_with_its_column(text, column):
    started = time.perf_counter()
    with pytest.raises(ExpressionError) as caught:
        parse(text, ["u", "k"])
    assert time.perf_counter() - started < 10
    assert f"column {caught.value.column}: " in str(caught.value)
    assert 1 <= caught.value.column <= max(len(text), 1) + 1
    if column is not None:
        assert caught.value.column == column


def test_at_least_fifty_formulas_are_tried():
    assert len({text for text, _ in HOSTILE}) >= 50


PIECES = st.lists(
    st.sampled_from(
        [*FUNCTIONS, *"uk0123456789.()+-*/<>=!,[]{}:;'\\\"#@%&|^~ \n", "**", "<=", "pi", "__", "e5",
         "lambda", "if", "else", "for", "in", "and", "not", "0x", "1j", "é", "\u200b"]
    ),
    max_size=40,
)  # fmt: skip


@settings(max_examples=400, deadline=None, derandomize=True)
@given(PIECES)
def test_any_text_is_a_formula_or_is_refused(pieces):
    text = "".join(pieces)
    try:
        tape = parse(text, ["u", "k"])
    except ExpressionError as error:
        assert 1 <= error.column <= len(text) + 1
        return
    assert np.shape(tape.evaluate({"u": U, "k": K})) in ((), U.shape)
    value, jacobian = tape.slopes({"u": U, "k": K}, ["u", "k"])
    assert jacobian.shape == (*np.shape(value), 2)


def test_a_refusal_says_what_is_allowed():
    with pytest.raises(ExpressionError, match=r"allowed: numbers, u, k, \+ - \* / \*\*, and exp"):
        parse("sinh(u)", ["u", "k"])


def test_brackets_in_any_number_do_no_harm():
    for n in (50, 150, 249):
        text = "(" * n + "u" + ")" * n
        with contextlib.suppress(ExpressionError):  # more brackets than Python's grammar takes
            assert parse(text, ["u"]).evaluate({"u": 3.0}) == 3.0


# formula, and the same in numpy, written out by hand
READ = {
    "u": lambda u, k: u,
    "+u": lambda u, k: u,
    "-u": lambda u, k: -u,
    "--u": lambda u, k: u,
    "2": lambda u, k: 2.0,
    "1e-3*u": lambda u, k: 0.001 * u,
    "u - k - 1": lambda u, k: (u - k) - 1,
    "u/k/2": lambda u, k: (u / k) / 2,
    "-u**2": lambda u, k: -(u**2),
    "2*u**-0.5": lambda u, k: 2 / np.sqrt(u),
    "(u**2)**k": lambda u, k: u ** (2 * k),
    " exp( -u ** k ) ": lambda u, k: np.exp(-(u**k)),
    "log(u)": lambda u, k: np.log(u),
    "sqrt(u)": lambda u, k: np.sqrt(u),
    "expm1(u)": lambda u, k: np.expm1(u),
    "log1p(u)": lambda u, k: np.log1p(u),
    "tanh(u)": lambda u, k: np.tanh(u),
    "sin(u) + cos(k)": lambda u, k: np.sin(u) + np.cos(k),
    "arctan(u)": lambda u, k: np.arctan(u),
    "abs(1 - u)": lambda u, k: np.abs(1 - u),
    "minimum(u, k)": lambda u, k: np.minimum(u, k),
    "maximum(u, k)": lambda u, k: np.maximum(u, k),
    "where(u < 1, u, k)": lambda u, k: np.where(u < 1, u, k),
    "where(u <= 1, u, k)": lambda u, k: np.where(u <= 1, u, k),
    "where(u > k, 1, u + 1)": lambda u, k: np.where(u > k, 1, u + 1),
    "where(u >= k, 1, u + 1)": lambda u, k: np.where(u >= k, 1, u + 1),
    "exp(-maximum(u - 0.2, 0)**k)": lambda u, k: np.exp(-(np.maximum(u - 0.2, 0) ** k)),
    "0.2 + 0.8/(1 + u**k)": lambda u, k: 0.2 + 0.8 / (1 + u**k),
    "1/k": lambda u, k: 1 / k,
    "1/u": lambda u, k: 1 / u,
    "1/(u + k)": lambda u, k: 1 / (u + k),
    "exp(u)": lambda u, k: np.exp(u),
}
U = np.array([0.05, 0.4, 1.0, 1.7, 3.0])
K = np.array([0.5, 1.0, 1.0, 2.0, 3.5])


def test_every_function_on_the_list_is_tried():
    assert all(any(f"{name}(" in text for text in READ) for name in FUNCTIONS)


@pytest.mark.parametrize("text", READ)
def test_a_formula_means_what_it_means_in_numpy(text):
    got = parse(text, ["u", "k"]).evaluate({"u": U, "k": K})
    np.testing.assert_allclose(got, READ[text](U, K), rtol=1e-12)


@pytest.mark.parametrize("text", READ)
def test_the_log_of_a_tape_is_the_log_of_its_value(text):
    with np.errstate(all="ignore"):
        expected = np.log(READ[text](U, K))
    got = parse(text, ["u", "k"]).log().evaluate({"u": U, "k": K})
    np.testing.assert_allclose(got, expected, rtol=1e-11, atol=1e-13)


@pytest.mark.parametrize("text", READ)
def test_the_graph_means_the_same(text):
    import pytensor
    import pytensor.tensor as pt

    names = {"u": pt.dvector("u"), "k": pt.dvector("k")}
    value = pt.as_tensor(parse(text, ["u", "k"]).graph(names))
    compiled = pytensor.function(
        list(names.values()), value, mode="FAST_COMPILE", on_unused_input="ignore"
    )
    np.testing.assert_allclose(compiled(U, K), READ[text](U, K), rtol=1e-12)


@pytest.mark.parametrize("text", READ)
def test_the_compiled_kernel_means_the_same_with_its_derivatives(text, kernel_at):
    tape = parse(text, ["u", "k"])
    for u, k in zip(U[[0, 1, 3, 4]] + 0.013, K[[0, 1, 3, 4]] + 0.021, strict=True):  # off kinks
        value, slope = kernel_at(tape, (u, k))
        assert value == pytest.approx(float(READ[text](u, k)), rel=1e-12)
        h = 1e-6
        by_u = (READ[text](u + h, k) - READ[text](u - h, k)) / (2 * h)
        by_k = (READ[text](u, k + h) - READ[text](u, k - h)) / (2 * h)
        np.testing.assert_allclose(slope, [by_u, by_k], rtol=1e-5, atol=1e-8)
