"""What runs on the Raspberry Pi beside the basins, and the basin simulator behind the same hardware seams."""
