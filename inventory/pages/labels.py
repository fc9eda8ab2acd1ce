"""Lot labels to print and stick on: what the eye needs at arm's length, and a symbol that a scanner reads."""

from __future__ import annotations

from typing import Any

import zxingcpp
from django.http import HttpRequest, HttpResponse
from django.urls import path

from inventory import clock, selectors, shelf
from inventory.api.frame import CodeConverter
from inventory.errors import BadInput, Fault
from inventory.gs1 import label_text
from inventory.models import Lot
from inventory.pages.frame import Facts, Page

MOST = 60
MOST_OF_CAUTION = 160  # letters of it on a label: four lines


class Labels(Page):
    """One label for each ``?lot=ITEM/LOT``, in that order (codes as in a path); ``?each=3`` prints so many of each."""

    template_name = "inventory/labels.html"
    section = "shelf"

    def facts(self, request: HttpRequest, **where: Any) -> Facts:
        names = list(dict.fromkeys(request.GET.getlist("lot")))[:MOST]
        each = request.GET.get("each", "1")
        if not each.isdigit() or not 1 <= int(each) <= 40:
            raise BadInput(
                "so many labels cannot be printed", faults=[Fault("each", each[:20], "a number from 1 to 40")]
            )
        pairs = [_named(name) for name in names]
        found = shelf.lot_rows(
            Lot.objects.filter(item__code__in={item for item, _ in pairs}, number__in={lot for _, lot in pairs})
        )
        by_name = {(row["item"]["code"], row["number"]): row for row in found}
        lots = [
            by_name[pair] | {"caution": _fitted(by_name[pair]["item"]["caution"])} for pair in pairs if pair in by_name
        ]
        return {
            "lots": lots,
            "labels": [lot for lot in lots for _ in range(int(each))],
            "each": each,
            "missing": [name for name, pair in zip(names, pairs, strict=True) if pair not in by_name],
            "today": clock.today(),
        }


def _fitted(caution: str) -> str:
    """As many whole words of it as a label holds; one endless word is cut."""
    text = " ".join(caution.split())
    if len(text) <= MOST_OF_CAUTION:
        return text
    cut = text[:MOST_OF_CAUTION]
    return (cut.rpartition(" ")[0] or cut).rstrip(" ,;:") + " \N{HORIZONTAL ELLIPSIS}"


def _named(text: str) -> tuple[str, str]:
    """Item and lot of "ITEM/LOT"; a slash within either is written as in an address."""
    code = CodeConverter()
    item, _, lot = text.partition("/")
    try:
        return code.to_python(item), code.to_python(lot)
    except ValueError:
        return "", ""


def label_name(item: str, lot: str) -> str:
    code = CodeConverter()
    return f"{code.to_url(item)}/{code.to_url(lot)}"


class Symbol(Page):
    """Item and number of a lot as a QR symbol (ISO/IEC 18004), a picture for its label."""

    def get(self, request: HttpRequest, **where: Any) -> HttpResponse:
        lot = selectors.get_lot(where["item"], where["lot"])
        text = label_text(item=lot.item.code, gtin=lot.item.gtin, lot=lot.number)
        return HttpResponse(symbol_of(text), content_type="image/svg+xml")


def symbol_of(text: str) -> str:
    """An SVG of the symbol that holds the text, read back before it is given away. Raises BadInput where it differs."""
    symbol = zxingcpp.create_barcode(text, zxingcpp.BarcodeFormat.QRCode)
    again = zxingcpp.read_barcode(symbol.to_image(scale=4))
    if again is None or again.text != text:
        raise BadInput("this number cannot be printed as a symbol", faults=[Fault("lot", text, "letters and digits")])
    drawn: str = symbol.to_svg(add_quiet_zones=True)
    return drawn[drawn.index("<svg") :]


ROUTES = [
    path("shelf/labels", Labels.as_view(), name="lot-labels"),
    path("shelf/lot/<code:item>/<code:lot>/symbol.svg", Symbol.as_view(), name="lot-symbol"),
]
