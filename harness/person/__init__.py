"""The person at the bench as a boundary: asked, told, waited for."""
