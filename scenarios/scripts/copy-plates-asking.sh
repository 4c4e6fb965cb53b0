# Asks the archive first and puts only what is not there yet.
for plate in "$@"; do
    store has "$plate" && continue
    store put "$plate" || exit 1
done
