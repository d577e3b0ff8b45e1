"""One module for each file format, each from bytes to a `Score`; long ones have a part beside them."""
