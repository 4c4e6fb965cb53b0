# Tells the camera to write out its buffer, until it says yes.
until camera flush; do
    sleep 60
done
