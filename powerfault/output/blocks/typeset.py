"""A PDF set by typst (the extra ``pdf``) from a template and plain data; text in the data is never read as markup."""

from __future__ import annotations

import json
from typing import Any

from powerfault.errors import ToolError

MISSING = "typst is not installed; 'pip install powerfault[pdf]' brings it"


def pdf_of(template: str, data: Any) -> bytes:
    """The PDF of ``template``, which finds ``data`` (anything JSON can hold) in the variable ``data``.

    Raises :class:`ToolError` where typst is not installed, or takes the template for wrong.
    """
    try:
        import typst
    except ImportError as error:
        raise ToolError(f"no PDF: {MISSING}") from error
    source = "#set document(date: none)\n#let data = json(bytes(sys.inputs.data))\n" + template
    try:
        made = typst.compile(source.encode("utf-8"), format="pdf", sys_inputs={"data": json.dumps(data)})
    except typst.TypstError as error:
        raise ToolError(f"no PDF: typst says: {error}") from error
    assert isinstance(made, bytes)
    return made
