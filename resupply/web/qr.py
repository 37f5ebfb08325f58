"""QR codes as SVG inside the page: no inline style, so that the content security policy holds."""

import segno
from django.utils.safestring import SafeString, mark_safe


def qr_svg(text: str, *, title: str) -> SafeString:
    """A QR code (ISO/IEC 18004) of a text, dark on white in every theme, sized by the class `qr`.

    `title` is its accessible name. Error correction M: it is read from a screen or from paper.
    """
    code = segno.make_qr(text, error="m")
    svg = code.svg_inline(
        dark="#000", light="#fff", border=4, omitsize=True, svgclass="qr", lineclass=None, title=title
    )
    return mark_safe(svg.replace("<svg ", '<svg role="img" ', 1))  # noqa: S308 - the library escapes the title
