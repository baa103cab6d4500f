//! (wall.json)
