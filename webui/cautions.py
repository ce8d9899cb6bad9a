"""The cautions that stand wherever this tool sends somebody out to shoot, or shows a default."""

SHOOTING = (
    "Caution: no photo is worth a fall. Shoot from the ground, a pole or a drone where you can. At a roof's "
    "edge use fall protection; set ladders on firm ground, tie them off, do not lean out. Keep ladders, poles"
    " and drones well away from power lines. Sheet metal cuts: wear gloves. Not on a wet, icy or windy roof. "
    "Fly a drone only as your local rules allow, never over people."
)
GOVERNS = "The plan, the maker's instructions and local code govern; no default of this tool is code."
