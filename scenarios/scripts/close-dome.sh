# Closes the dome under a lock that nobody else may hold.
if [ -e dome.lock ]; then
    echo "the dome is being closed by somebody else" >&2
    exit 1
fi
echo $$ > dome.lock
dome is-closed || dome close || exit 1
rm dome.lock
