# Writes the card that goes with an asset: one figure a line, for whoever places it in a level.
# In: the figures of the game mesh as JSON. -v name=VARIANT -v out=FILE
{
    text = text $0
}

function figure(key,    rest) {
    if (match(text, "\"" key "\"[ ]*:[ ]*[-0-9.eE+]+") == 0) {
        printf "the figures hold no %s\n", key > "/dev/stderr"
        failed = 1
        return "?"
    }
    rest = substr(text, RSTART, RLENGTH)
    sub(/^[^:]*:[ ]*/, "", rest)
    return rest
}

END {
    # The first "triangles" and "area" of the object are those of the whole mesh.
    printf "asset      %s\n", name > out
    printf "triangles  %d\n", figure("triangles") > out
    printf "vertices   %d\n", figure("vertices") > out
    printf "area       %.3f m2\n", figure("area") > out
    printf "volume     %.4f m3\n", figure("volume") > out
    close(out)
    exit failed
}
