"""How large and how small the numbers of a recipe may be.

Ranges far wider than anything that is built, driven or struck: they refuse a slip (millimetres
where metres are asked for, a power of ten too many) and no unusual test. Engineering judgement,
from memory: a ball to a loaded truck, flesh to steel, a crack in the road to a bridge.
"""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

#: Speed of a car [km/h]; upper limits are those of each model.
LEAST_KMH = 0.1

#: Of what strikes, from a ball to a loaded truck [kg].
StrikerMass = Annotated[float, Field(ge=0.05, le=5e4)]
#: Of the deformable face of a trolley [kg].
FaceMass = Annotated[float, Field(ge=1.0, le=1000.0)]
#: In or on the car [kg].
Payload = Annotated[float, Field(ge=0.0, le=5000.0)]
#: Of a contact, from flesh to steel [N/m].
Stiffness = Annotated[float, Field(ge=100.0, le=1e8)]
#: The same for a crushing face [kN/mm].
CrushStiffness = Annotated[float, Field(ge=1e-3, le=1000.0)]
#: Travel of a contact [mm].
ContactTravel = Annotated[float, Field(ge=0.01, le=1000.0)]
#: Radius at a point of contact, from a chisel to a flat face [mm].
ContactRadius = Annotated[float, Field(ge=0.5, le=1000.0)]
#: Along the road, of one obstacle [m].
RoadLength = Annotated[float, Field(ge=0.05, le=100.0)]
#: The same of its small parts [mm].
RoadDetail = Annotated[float, Field(ge=1.0, le=2000.0)]
#: Of the ground, against a wheel [kN].
GroundForce = Annotated[float, Field(ge=0.0, le=1000.0)]
