"""The MusicXML 4.0 schema, as PyPI `musicxml` packages it."""

from __future__ import annotations

import importlib.util
import re
from pathlib import Path

import pytest
import xmlschema


@pytest.fixture(scope="session")
def schema() -> xmlschema.XMLSchema:
    spec = importlib.util.find_spec("musicxml")
    assert spec is not None and spec.origin is not None
    text = (Path(spec.origin).parent / "generate_classes" / "musicxml_4_0.xsd").read_text(encoding="utf-8")
    xlink = (Path(xmlschema.__file__).parent / "schemas" / "XLINK" / "xlink.xsd").as_uri()
    text = re.sub(r'(<xs:import namespace="http://www.w3.org/XML/1998/namespace")[^>]*/>', r"\1/>", text)
    text = re.sub(
        r'(<xs:import namespace="http://www.w3.org/1999/xlink")[^>]*/>', rf'\1 schemaLocation="{xlink}"/>', text
    )
    return xmlschema.XMLSchema(text)
