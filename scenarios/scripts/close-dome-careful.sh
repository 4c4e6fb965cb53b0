# Closes the dome under a lock that counts only while its holder is alive.
if [ -e dome.lock ] && kill -0 "$(cat dome.lock)" 2>/dev/null; then
    echo "the dome is being closed by somebody else" >&2
    exit 1
fi
echo $$ > dome.lock
dome is-closed || dome close || exit 1
rm -f dome.lock
