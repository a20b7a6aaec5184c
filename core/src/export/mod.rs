//! Writing GLB and plans from a scene description.
