"""What those need who decide, watch and audit: made from nights that were played."""
