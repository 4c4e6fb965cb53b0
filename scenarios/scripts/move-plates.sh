# Moves plates to the cold store: takes them out first.
for plate in "$@"; do
    store take "$plate" || exit 1
    store put-cold "$plate" || exit 1
done
