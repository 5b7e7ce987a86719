"""Sheets as files: one HTML page with a drawing a sheet, or a PDF."""

from __future__ import annotations

import io
from html import escape
from typing import TYPE_CHECKING

from app.report.sheet import MM_PER_POINT, Area, Disc, Line, Sheet, Words, fonts, text_mm

if TYPE_CHECKING:
    from collections.abc import Sequence

_FAMILY = "'Bitstream Vera Sans','DejaVu Sans',Verdana,sans-serif"

_STYLE = """
body{margin:0;background:#dedbd2;font-family:FAMILY}
svg{display:block;margin:6mm auto;background:#fff;box-shadow:0 0 3mm #0003}
section{max-width:190mm;margin:6mm auto;padding:6mm 8mm;background:#fff;font-size:10pt}
table{border-collapse:collapse;width:100%}
td,th{text-align:left;padding:1mm 2mm;border-bottom:.2mm solid #c9c6bc}
@media print{body{background:#fff}svg{margin:0;box-shadow:none;page-break-after:always}
section{display:none}@page{size:A4;margin:0}}
""".replace("FAMILY", _FAMILY)


def html(
    title: str,
    sheets: Sequence[Sheet],
    tables: Sequence[tuple[str, Sequence[Sequence[str]]]] = (),
) -> str:
    """One page: every sheet as a drawing, then the figures as plain tables for who cannot see.

    Parameters
    ----------
    tables : (heading, rows), the first row the columns' heads
    """
    parts = [
        '<!DOCTYPE html>\n<html lang="en">\n<head><meta charset="utf-8">',
        '<meta name="viewport" content="width=device-width">',
        f"<title>{escape(title)}</title><style>{_STYLE}</style></head>\n<body>",
        *(svg(sheet) for sheet in sheets),
    ]
    for heading, rows in tables:
        parts.append(f"<section><h2>{escape(heading)}</h2><table>")
        for number, row in enumerate(rows):
            tag = "td" if number else "th"
            cells = "".join(f"<{tag}>{escape(cell)}</{tag}>" for cell in row)
            parts.append(f"<tr>{cells}</tr>")
        parts.append("</table></section>")
    parts.append("</body></html>\n")
    return "\n".join(parts)


def svg(sheet: Sheet) -> str:
    """One sheet as SVG, a unit a millimetre, printed in its true size."""
    w, h = sheet.size
    out = [
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{w:g}mm" height="{h:g}mm" '
        f'viewBox="0 0 {w:g} {h:g}" role="img" aria-label="{escape(sheet.title)}">'
    ]
    for shape in sheet.shapes:
        if isinstance(shape, Line):
            dash = (
                f' stroke-dasharray="{" ".join(f"{d:g}" for d in shape.dash)}"'
                if shape.dash
                else ""
            )
            out.append(
                f'<polyline points="{_points(shape.points)}" fill="none" stroke="{shape.colour}" '
                f'stroke-width="{shape.width:g}" stroke-linejoin="round"{dash}/>'
            )
        elif isinstance(shape, Area):
            edge = f' stroke="{shape.edge}" stroke-width="{shape.width:g}"' if shape.edge else ""
            out.append(f'<polygon points="{_points(shape.points)}" fill="{shape.fill}"{edge}/>')
        elif isinstance(shape, Disc):
            edge = f' stroke="{shape.edge}" stroke-width="{shape.width:g}"' if shape.edge else ""
            out.append(
                f'<circle cx="{shape.at[0]:.3f}" cy="{shape.at[1]:.3f}" r="{shape.radius:.3f}" '
                f'fill="{shape.fill or "none"}"{edge}/>'
            )
        else:
            out.append(_text(shape))
    out.append("</svg>")
    return "\n".join(out)


def _points(points: Sequence[tuple[float, float]]) -> str:
    return " ".join(f"{x:.3f},{y:.3f}" for x, y in points)


def _text(words: Words) -> str:
    """A line of text, held to the width it was laid out with whatever font is there."""
    weight = ' font-weight="bold"' if words.bold else ""
    width = text_mm(words.text, words.size, words.bold)
    held = (
        f' textLength="{width:.3f}" lengthAdjust="spacingAndGlyphs"' if len(words.text) > 1 else ""
    )
    x, y = words.at
    turn = f' transform="rotate(180 {x:.3f} {y:.3f})"' if words.turned else ""
    return (
        f'<text x="{x:.3f}" y="{y:.3f}" font-family="{_FAMILY}" '
        f'font-size="{words.size * MM_PER_POINT:.3f}" fill="{words.colour}" '
        f'text-anchor="{words.anchor}"{weight}{held}{turn}>{escape(words.text)}</text>'
    )


def pdf(title: str, sheets: Sequence[Sheet]) -> bytes:
    """Sheets as pages of vectors."""
    from reportlab.lib.colors import HexColor
    from reportlab.pdfgen.canvas import Canvas

    regular, bold = fonts()
    mm = 1.0 / MM_PER_POINT
    buffer = io.BytesIO()
    canvas = Canvas(buffer, invariant=1)
    canvas.setTitle(title)
    canvas.setCreator("Rippletree")
    for sheet in sheets:
        width, height = sheet.size
        canvas.setPageSize((width * mm, height * mm))
        canvas.setLineJoin(1)

        def at(point: tuple[float, float], height: float = height) -> tuple[float, float]:
            return point[0] * mm, (height - point[1]) * mm

        for shape in sheet.shapes:
            if isinstance(shape, Words):
                canvas.setFillColor(HexColor(shape.colour))
                canvas.setFont(bold if shape.bold else regular, shape.size)
                write = {
                    "start": canvas.drawString,
                    "middle": canvas.drawCentredString,
                    "end": canvas.drawRightString,
                }[shape.anchor]
                canvas.saveState()
                canvas.translate(*at(shape.at))
                if shape.turned:
                    canvas.rotate(180)
                write(0, 0, shape.text)
                canvas.restoreState()
                continue
            if isinstance(shape, Disc):
                if shape.edge:
                    canvas.setStrokeColor(HexColor(shape.edge))
                    canvas.setLineWidth(shape.width * mm)
                if shape.fill:
                    canvas.setFillColor(HexColor(shape.fill))
                x, y = at(shape.at)
                canvas.circle(
                    x, y, shape.radius * mm, stroke=bool(shape.edge), fill=bool(shape.fill)
                )
                continue
            path = canvas.beginPath()
            path.moveTo(*at(shape.points[0]))
            for point in shape.points[1:]:
                path.lineTo(*at(point))
            if isinstance(shape, Line):
                canvas.setStrokeColor(HexColor(shape.colour))
                canvas.setLineWidth(shape.width * mm)
                canvas.setDash([d * mm for d in shape.dash])
                canvas.drawPath(path, stroke=1, fill=0)
                canvas.setDash([])
            else:
                path.close()
                canvas.setFillColor(HexColor(shape.fill))
                if shape.edge:
                    canvas.setStrokeColor(HexColor(shape.edge))
                    canvas.setLineWidth(shape.width * mm)
                canvas.drawPath(path, stroke=bool(shape.edge), fill=1)
        canvas.showPage()
    canvas.save()
    return buffer.getvalue()
