"""Codes that people type: their check characters by another implementation of ISO 7064 MOD 37,36.

Source of what is right: python-stdnum 2.2, stdnum.iso7064.mod_37_36.
"""

import pytest
from stdnum.iso7064 import mod_37_36


def bare(code):
    """A code without what stands before the tag and without its hyphens."""
    head, *rest = code.split("-")
    return "".join(rest if head in {"O", "P"} else [head, *rest])


@pytest.fixture
def codes(shop):
    """Pieces, orders and plans of one shop."""
    got = shop("receive", "--material", "Ply 6", "--sheets", "60", "--size", "2440x1220", "--unit-cost", "50")
    pieces = [p["piece"] for p in got["pieces"]]
    orders = [shop("order", "new", "--name", f"Order {i}")["order"] for i in range(12)]
    plans = []
    for order in orders[:3]:
        shop("order", "add", order, "--rect", "300x200", "--material", "Ply 6")
        plans.append(shop("plan", order, "--seconds", "1")["plan"])
    return pieces, orders, plans


def test_check_characters(shop, codes):
    everything = [c for kind in codes for c in kind]
    assert len(set(everything)) == len(everything)
    for code in everything:
        assert mod_37_36.is_valid(bare(code)), code
        assert not set(bare(code)) & set("ILO"), f"{code} has a letter that is misread"


def test_a_mistyped_code_is_refused(shop, codes):
    """ISO 7064 MOD 37,36 finds every single wrong character and nearly every exchange of two neighbours."""
    pieces, orders, _ = codes
    alphabet = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"
    code = pieces[7]
    for i, right in enumerate(code):
        if right == "-":
            continue
        wrong = code[:i] + alphabet[(alphabet.index(right) + 5) % len(alphabet)] + code[i + 1 :]
        shop("stock", "show", wrong, status=2)
    a, b = orders[0][-2:]
    if a != b:
        shop("order", "show", orders[0][:-2] + b + a, status=2)


def test_any_letter_case_and_uuid(shop, codes):
    piece = shop("stock", "show", codes[0][0].lower())
    assert piece["piece"] == codes[0][0]
    assert shop("stock", "show", piece["uuid"])["piece"] == codes[0][0]
