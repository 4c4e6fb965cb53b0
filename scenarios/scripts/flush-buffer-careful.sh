# Tells the camera to write out its buffer unless it has; four times at most, with longer and longer pauses.
for pause in 60 120 240 480; do
    camera is-flushed && exit 0
    camera flush && exit 0
    sleep "$pause"
done
exit 1
