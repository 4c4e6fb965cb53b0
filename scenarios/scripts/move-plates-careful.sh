# Moves plates to the cold store: puts each there first, if it is not there, and takes it out last.
for plate in "$@"; do
    store has-cold "$plate" || store put-cold "$plate" || exit 1
    store is-out "$plate" || store take "$plate" || exit 1
done
