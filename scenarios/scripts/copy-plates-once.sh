# Leaves the decision to the archive, which refuses what it has already.
for plate in "$@"; do
    store put-if-absent "$plate" || exit 1
done
