"""JUnit XML, as CI reads it: cases in suites, and how many of them are what."""

from xml.etree import ElementTree

from protocols.values import legible


def testcase(suite: ElementTree.Element, name: str, seconds: float) -> ElementTree.Element:
    """A case of a suite; what became of it (`failure`, `error`, `skipped`) is put into it."""
    return ElementTree.SubElement(
        suite, "testcase", classname=suite.get("name", ""), name=legal(name), time=f"{seconds:.3f}"
    )


def written(root: ElementTree.Element) -> str:
    """The whole, with the counts of each suite and of all."""
    for element in (*root, root):
        _count(element)
    ElementTree.indent(root)
    text: bytes = ElementTree.tostring(root, encoding="utf-8", xml_declaration=True)
    return text.decode()


def legal(text: str) -> str:
    """Without what XML 1.0 forbids (2.2 Characters): controls as escapes, line by line."""
    return "\n".join(legible(line) for line in text.split("\n"))


def _count(element: ElementTree.Element) -> None:
    items = list(element.iter("testcase"))
    element.set("tests", str(len(items)))
    for name, tag in (("failures", "failure"), ("errors", "error"), ("skipped", "skipped")):
        element.set(name, str(sum(item.find(tag) is not None for item in items)))
    element.set("time", f"{sum(float(item.get('time', 0)) for item in items):.3f}")
