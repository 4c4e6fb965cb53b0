# Puts every plate of tonight into the archive.
for plate in "$@"; do
    store put "$plate" || exit 1
done
