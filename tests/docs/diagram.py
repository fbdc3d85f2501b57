"""The entity diagram of DEVELOPERS.md, from the models."""

import re

from service.db.models import Base

_PLACE = re.compile(r"(<!-- entity diagram: begin -->\n).*?(<!-- entity diagram: end -->)", re.DOTALL)


def entity_diagram() -> str:
    """All tables with their keys, and what points where, as a Mermaid diagram; the other columns are in the models."""
    lines = ["erDiagram"]
    for table in sorted(Base.metadata.tables.values(), key=lambda one: one.name):
        for key in sorted(table.foreign_keys, key=lambda one: one.parent.name):
            one = "|o" if key.parent.nullable else "||"
            whole = {column.name for column in table.primary_key.columns} == {key.parent.name}
            lines.append(
                f"    {key.column.table.name} {one}--{'o|' if whole else 'o{'} {table.name} : {key.parent.name}"
            )
    for table in sorted(Base.metadata.tables.values(), key=lambda one: one.name):
        lines.append(f"    {table.name} {{")
        for column in table.columns:
            marks = [
                mark for mark, held in (("PK", column.primary_key), ("FK", bool(column.foreign_keys))) if held
            ]
            marks += ["UK"] * bool(column.unique)
            if not marks:
                continue
            kind = re.sub(r"\W.*", "", str(column.type)).lower()
            told = f"        {kind} {column.name} {', '.join(marks)}".rstrip()
            lines.append(told)
        lines.append("    }")
    return "\n".join(lines)


def with_current_diagram(text: str) -> str:
    """The document with the diagram between its marks as the models are now."""
    return _PLACE.sub(lambda found: f"{found[1]}\n```mermaid\n{entity_diagram()}\n```\n\n{found[2]}", text)
