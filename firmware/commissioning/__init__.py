"""`soakledger commission`: the guided first start of a node, tried out part by part, and the result filed."""
