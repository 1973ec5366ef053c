#!/bin/busybox sh
# The guest's first program: loads the drivers, lays a writable layer over the host's files, then runs what the host
# asks for. Commands come as numbers over the second serial port; all else lies in the shared folder under the number.
/bin/busybox --install -s /bin
export PATH=/bin
mount -t proc proc /proc
mount -t sysfs sysfs /sys
mount -t devtmpfs devtmpfs /dev
for module in /modules/*; do
    insmod "$module" || echo "lanewright-lab: $module was not loaded"
done
ifconfig lo up
hostname lab-guest-7

nine=trans=virtio,version=9p2000.L,msize=512000
mount -t 9p -o "$nine,cache=loose,ro" host /host &&
    mount -t 9p -o "$nine,cache=none" share /share &&
    mount -t tmpfs -o mode=755 tmpfs /above &&
    mkdir /above/upper /above/work &&
    mount -t overlay -o lowerdir=/host,upperdir=/above/upper,workdir=/above/work,metacopy=on overlay /new ||
    poweroff -f

# The checkout may lie anywhere, even below /dev/shm; only what the guest's kernel makes itself is put over the host's.
mkdir -p /new/.lab /new/dev /new/proc /new/sys
[ -d /new/dev/shm ] && mount -o bind /new/dev/shm /shm
mount -o move /dev /new/dev
mkdir -p /new/dev/shm
mount -o move /shm /new/dev/shm 2>/new/dev/null
mkdir -p /new/.share
mount -o bind /share /new/.share
mount -o move /proc /new/proc
mount -o move /sys /new/sys
ln -s /proc/self/fd /new/dev/fd
rm -rf /new/run/udev

# Folders on the way to the checkout that are closed to an ordinary user are opened, in the layer above only.
while read -r folder; do
    chmod a+rx "/new$folder"
done </share/open-folders
while read -r tree; do
    chmod -R a+rX "/new$tree"
done </share/open-trees

port=/new/dev/ttyS1
stty -F $port raw -echo
exec 3<>$port
echo ready >&3
while read -r number <&3; do
    [ "$number" = off ] && break
    here=/share/$number
    place=/.lab/$number
    mkdir "/new$place"
    cp -r "$here/in/." "/new$place"
    identity=
    if [ -e "$here/ordinary" ]; then
        chown -R 65534:65534 "/new$place"
        identity="setpriv --reuid 65534 --regid 65534 --clear-groups --inh-caps=-all --"
    fi
    cp "$here/command" "/new$place.command"
    # shellcheck disable=SC2086 # `identity` is several words or none
    env -i PATH=/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin LC_ALL=C.UTF-8 HOME=/ TERM=dumb \
        /bin/chroot /new /bin/sh -c "cd $place && exec $identity /bin/sh $place.command" \
        </new/dev/null >"$here/stdout" 2>"$here/stderr" 3<&-
    echo $? >"$here/code"
    cp -r "/new$place/." "$here/out"
    rm -rf "/new$place" "/new$place.command"
    echo "done $number" >&3
done
poweroff -f
