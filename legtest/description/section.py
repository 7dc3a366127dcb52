"""What every section of a description file is made of: its base, how a key is declared, and the common kinds of value.

`used_by` names the module that reads the value, `attribute` what it is called inside and `spelt` how that module spells
it where that differs, so that a test can find a key that nothing uses.
"""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field

from legtest.description.fields import Dimension, Whole

Length = Annotated[float, Dimension("length", above="0 m", at_most="2 m")]
Mass = Annotated[float, Dimension("mass", above="0 kg", at_most="100 kg")]
Torque = Annotated[float, Dimension("torque", above="0 N*m", at_most="1000 N*m")]
Speed = Annotated[float, Dimension("angular_velocity", above="0 rad/s", at_most="100 rad/s")]
Damping = Annotated[float, Dimension("angular_damping", at_least="0 N*m*s/rad")]
Stiffness = Annotated[float, Dimension("angular_stiffness", above="0 N*m/rad")]
Share = Annotated[float, Dimension("ratio", at_least="0", at_most="1")]
Identity = Annotated[int, Whole(0, 0xFFFF_FFFF)]


def key(what: str, used_by: str, attribute: str, default: Any = ..., *, spelt: str = "") -> Any:
    """One key of a file; without a default it must be there."""
    use: dict[str, Any] = {"used_by": used_by, "attribute": attribute, "spelt": spelt or attribute}
    return Field(default, description=what, json_schema_extra=use)


class Section(BaseModel):
    """Base of all sections: an unknown key is an error."""

    model_config = ConfigDict(extra="forbid", frozen=True)
