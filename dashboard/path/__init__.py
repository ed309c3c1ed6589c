"""The standard path at the basin: badge, device, basin, close the lid; later rinses, drying and release."""
