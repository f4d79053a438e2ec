"""Wire against slot: clearance, bite and depth to spare. Lengths in mm; trade definitions, common practice."""

from logger.evaluation.estimate import Estimate, combine


def clearance(slot_width: Estimate, tang_thickness: Estimate) -> Estimate:
    """Return slot width minus tang thickness in mm; negative wedges the board."""
    return combine([(1.0, slot_width), (-1.0, tang_thickness)])


def bite_per_side(barb_span: Estimate, slot_width: Estimate) -> Estimate:
    """Return how far the barbs bite into each wall, half of barb span minus slot width, in mm."""
    return combine([(0.5, barb_span), (-0.5, slot_width)])


def spare_depth(slot_depth: Estimate, tang_depth: Estimate) -> Estimate:
    """Return slot depth minus tang depth in mm; negative leaves the tang standing on the floor of the slot."""
    return combine([(1.0, slot_depth), (-1.0, tang_depth)])
