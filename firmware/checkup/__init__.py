"""What can be looked at on a node's computer: by commissioning before the first start, by the doctor at any time."""
