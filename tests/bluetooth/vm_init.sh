#!/bin/busybox sh
# First program of the virtual machine: the system's message bus, BlueZ, and a controller on the virtio console.
/bin/busybox --install -s /bin
export PATH=/bin
mount -t proc proc /proc
mount -t sysfs sys /sys
mount -t devtmpfs dev /dev
for module in $(cat /etc/modules); do modprobe "$module"; done
ifconfig lo up
ifconfig eth0 10.0.2.15 netmask 255.255.255.0 up
export DBUS_SYSTEM_BUS_ADDRESS=unix:path=/run/dbus/system_bus_socket
dbus-daemon --config-file=/etc/bus.conf --fork
socat TCP-LISTEN:55557,fork,reuseaddr EXEC:/bin/sh,stderr &
bluetoothd --nodetach &
# attached again and again, as a plug that is put back
while :; do
  [ -e /run/unplugged ] || btattach -B /dev/hvc0 -P h4 -N
  sleep 0.2
done &
socat TCP-LISTEN:55556,fork,reuseaddr UNIX-CONNECT:/run/dbus/system_bus_socket &
while :; do sleep 3600; done
