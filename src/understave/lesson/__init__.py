"""The lesson folder: made, made again where something changed, and edited by the teacher."""
